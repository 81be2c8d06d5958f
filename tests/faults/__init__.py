"""Faults made on purpose: the scene and its judges, the kinds of fault, and the run that makes them."""
