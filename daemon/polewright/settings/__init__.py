"""Settings: typed and bounded, from TOML; errors name the line, key, value and what is allowed."""
