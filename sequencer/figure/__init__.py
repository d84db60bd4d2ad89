"""The machine: servos, axes, masses, lamps, switches, inputs, supply, and the limits that follow.

Knows nothing of time, scenes or a board's bytes.
"""
