"""What an operator runs: threshold scan and recording."""
