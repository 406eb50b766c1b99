"""The only way to the output: limits, gate and lease."""
