"""execution"""
