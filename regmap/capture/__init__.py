"""Captures."""
