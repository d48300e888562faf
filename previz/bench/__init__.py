"""The live page: the set on a bench, the camera moved by hand, and what becomes of the illusion."""
