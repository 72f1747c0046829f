"""Signal steps that the search for an unknown disc and the diagnosis of a known one share.

=============  ==================================================================================
`averages`     running means, and means between any two moments
`slicer`       two-level slicing: hard (the two levels, the best threshold) and soft (log-odds)
`levels`       the data channel resampled by position: delay, matched filter, web level
`pulses`       the clock row's pulses, as a comparator sees them
`clock`        clock recovery: pulses numbered along the likeliest path
`next_start`   where the next row starts on a player that reads on at the next position
`comb`         how well gaps between onsets fit the length of a position
=============  ==================================================================================
"""
