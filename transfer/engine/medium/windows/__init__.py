"""Windows: its calls, paths, handles and errors, and reads past its cache."""
