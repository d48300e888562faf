"""From the scene to meshes, textures and baked light."""
