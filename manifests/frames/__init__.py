"""What a frame is."""
