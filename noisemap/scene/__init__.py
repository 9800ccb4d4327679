"""scene"""
