"""The cheapest batch that satisfies every requirement: reading, model, weigh-out, proof and page."""

__version__ = "0.1.0"
