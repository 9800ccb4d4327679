"""zones"""
