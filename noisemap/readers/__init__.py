"""readers"""
