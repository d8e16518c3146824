"""sequence"""
