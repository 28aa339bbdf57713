"""The offline catalogue of what is shot by name."""
