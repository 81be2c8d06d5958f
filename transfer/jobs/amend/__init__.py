"""The job: what a person says of frames counts, and each frame lies where it then belongs."""
