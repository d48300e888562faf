"""Two ways to look at the set: pictures (the only OpenGL) and sight lines (the only Embree)."""
