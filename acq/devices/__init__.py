"""What any device promises, and the devices that keep the promise."""
