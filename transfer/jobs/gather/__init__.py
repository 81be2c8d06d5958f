"""Laying out the lights of a target, and the calibration frames that fit them, for processing."""
