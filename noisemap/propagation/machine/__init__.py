"""Machine code of the propagation: internal, without checks; the folder above is its face.

`cores` holds the published expressions on plain numbers, the other modules the
loops of the map kernel.
"""
