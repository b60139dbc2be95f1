"""Physics as scalar kernels: math and numba only."""
