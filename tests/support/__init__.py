"""What tests share: real volumes, faulty and recording file systems, invented nights and small archives."""
