"""The commands: parse, call, print."""

import gc

# nearly all that a command makes at its start stays until its end: to look through it again and
# again for what is free takes a tenth of that start
gc.set_threshold(100_000)
