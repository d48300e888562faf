"""The tool against an independent path tracer, a stand-in for the real set: ``python -m tests.benchmarks.reality``.

``world.py`` writes down what the tracer is given and nothing else: exported meshes and reflectances, the scene file's
numbers of lamps, cards and lens, the camera's track. ``tracer.py`` knows nothing of the project.
"""
