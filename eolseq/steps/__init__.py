"""steps"""
