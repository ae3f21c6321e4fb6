"""The virtual board: the same frames and limits, in the same process."""
