"""Gloveside: a hands-free assistant for the workshop bench."""

__version__ = "0.1.0"
