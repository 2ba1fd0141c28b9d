"""Where a published number comes from: the chain from counts to the level, or from levels to the difference.

Nothing is measured or decided here: finished tables, the campaign and the functions of the jobs say it all.
"""
