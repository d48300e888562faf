"""What a scene gives by file: meshes, photographs of the wall, measured relief; and how to understand them."""
