"""The register table of the simulated Modbus chamber, as a person would write it from its manual; shared by tests."""

from __future__ import annotations

TEXT = """
[modbus]
word_order = "high first"

[registers]
air = { address = 100, kind = "input", scale = 0.1 }
set_point = { address = 300, scale = 0.1 }
ramp = { address = 310, type = "uint16", scale = 0.1 }
low_limit = { address = 320, type = "float32" }
high_limit = { address = 322, type = "float32" }
run = { address = 5 }

[[alarm]]
text = "its temperature limit has stopped it"
address = 10

[[alarm]]
text = "its status word reports a limit"
kind = "holding"
address = 330
bit = 3
"""
