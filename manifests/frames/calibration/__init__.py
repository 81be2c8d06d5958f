"""Which darks, flats, dark flats and bias fit a light, and why."""
