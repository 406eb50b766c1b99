"""From the device to sweeps: ring buffer, reader, cutter, and the exchange for the display."""
