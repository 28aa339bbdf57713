"""Rotations, directions and angles."""
