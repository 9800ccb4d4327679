"""propagation"""
