"""A sine whose level is known at the unit's input: read on a reference, corrected, with every line of it.

More than one measurement needs it, so that it stands here and in none of their folders.
"""
