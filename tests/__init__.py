"""The tests: they mirror the packages. DEVELOPERS.md explains `outside`, `faults`, `bench` and `mutation`."""
