"""The running panel: the stages joined, and the tasks that drive them."""
