"""community"""
