"""bands"""
