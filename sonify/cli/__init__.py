"""The commands: parse, call, print."""

import gc

# nearly all objects made at the start live to the end: looking for garbage among them would take
# a tenth of the start
gc.set_threshold(100_000)
