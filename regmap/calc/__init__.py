"""Calculations."""
