"""What a frame's pixels say: its sky, its stars, and which frames stand out of their series."""
