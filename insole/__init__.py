"""From a measured foot to a plan, parts on the bench and papers."""

__version__ = "0.1.0"
