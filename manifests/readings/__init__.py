"""What logs say: readings and events, read by the person's own description of each kind of file."""
