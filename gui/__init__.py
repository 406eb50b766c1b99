"""The screen of a live study (the terminal view lives in ``acq``)."""
