"""How far every fibre is above its threshold, how surely, and why a response is missing."""
