"""The archive as pages for a browser: what there is, how each night went, what frames look like."""
