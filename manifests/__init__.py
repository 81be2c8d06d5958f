"""What is known about files, and where it is written. Never imports transfer."""
