"""records"""
