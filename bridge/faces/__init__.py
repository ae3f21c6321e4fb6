"""Faces: dials, cards and pointers drawn to scale from the curve that drives the pointer."""
