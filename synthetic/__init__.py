"""Invented listings with known truth: drawn garments, photographed as sellers do it."""
