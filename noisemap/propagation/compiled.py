"""How this package compiles a function, for the floors above."""

from noisemap.propagation.machine.compiled import (
    compiled,
    compiled_parallel,
    compiled_part,
    compiled_sums,
)

__all__ = ["compiled", "compiled_parallel", "compiled_part", "compiled_sums"]
