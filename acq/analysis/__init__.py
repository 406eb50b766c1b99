"""Numbers from sweeps: pure functions of arrays, no threads, no input or output."""
