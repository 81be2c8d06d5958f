"""The archive as a place: its mark, layout, bags and contents, and the questions it answers."""
