"""A whole archive of studies and recordings analysed again, on one computer or on many."""
