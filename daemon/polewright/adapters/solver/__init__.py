"""Solving frames with a star catalogue that is carried along."""
