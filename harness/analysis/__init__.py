"""Pure numerics: estimation, uncertainty and decisions. Values in, values out."""
