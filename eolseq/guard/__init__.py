"""guard"""
