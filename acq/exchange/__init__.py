"""Recordings in and data out, in open formats."""
