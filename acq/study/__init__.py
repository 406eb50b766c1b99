"""The study file and what is computed over a study."""
