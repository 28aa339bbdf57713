"""The evening's workflows, over ports."""
