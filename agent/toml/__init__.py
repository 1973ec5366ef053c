"""The TOML reader that build sheets and field notes share: the tables of a text, and the line of every key."""
