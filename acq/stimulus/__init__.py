"""What is to be delivered: the train, its pulses, and their waveform."""
