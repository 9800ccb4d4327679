"""ISO 9613-2:1996: attenuation of sound on its way from the road to the homes."""
