"""The transfer store: what the land does to sound, computed once for a scene."""
