"""Linux: its system calls, mounts, file system names, and reads past its caches."""
