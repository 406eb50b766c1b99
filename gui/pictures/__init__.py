"""The pictures of a live study; each draws what it finds in the view model."""
