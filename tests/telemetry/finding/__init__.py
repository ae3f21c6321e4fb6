"""The layout finder."""
