"""The catalogue of taxa and how a population matures."""
