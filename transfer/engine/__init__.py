"""The copy and its proof."""
