"""The store of finished runs: what was found of every unit, with which standards, and the journals to prove it."""
