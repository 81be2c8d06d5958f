"""What lies on a disk, and how it is proven."""
