"""The engine in a process of its own, and the link between it and a screen in another."""
