"""instruments"""
