"""roofplat: standing roof plans for a fire district."""

__version__ = "0.1.0"
