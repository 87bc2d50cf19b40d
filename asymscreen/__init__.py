"""asymscreen: does a lifter press alike on both sides, and how sure can one phone be of it?"""

__version__ = "0.1.0"
