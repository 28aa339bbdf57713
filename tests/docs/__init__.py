"""Documentation that is made from the code: tables in the pages, and figures."""
