"""verification"""
