"""How this package compiles a function, for the floors above."""

from noisemap.propagation.machine.compiled import compiled, compiled_parallel

__all__ = ["compiled", "compiled_parallel"]
