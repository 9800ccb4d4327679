"""source"""
