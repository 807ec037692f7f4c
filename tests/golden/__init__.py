"""Journals as the program wrote them, and what every rendering makes of them.

`python -m tests.golden.render` writes the renderings anew, after a change that is meant; read the difference before it
is kept. The journals themselves are never written again: a format that people's records are in has to stay readable.
"""
