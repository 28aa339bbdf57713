"""The service manager that may have started the service."""
