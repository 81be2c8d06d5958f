"""Lists of frames in the forms that people and other programs read."""
