"""Targets to a smooth path within the limits of the drive."""
