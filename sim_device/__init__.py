"""The simulated patient and the devices that carry it."""
