"""The four files that a person writes: TOML to frozen models, every problem with its line."""
