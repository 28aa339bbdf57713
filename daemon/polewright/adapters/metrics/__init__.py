"""Figures of the service for a Prometheus server."""
