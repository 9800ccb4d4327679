"""transfer"""
