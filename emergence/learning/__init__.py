"""Fits over completed seasons."""
