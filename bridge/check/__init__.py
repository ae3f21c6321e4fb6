"""The drive check: can this motor, these gears and this supply do what the gauge asks of them."""
