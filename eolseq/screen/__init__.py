"""screen"""
