"""Mutation testing: small mistakes are made in the code on purpose; the tests should notice."""
