"""descent"""
