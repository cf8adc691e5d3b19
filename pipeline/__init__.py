"""denim-triage: puts the listings that deserve a person's time on top, with reasons."""

__version__ = "0.1.1"
