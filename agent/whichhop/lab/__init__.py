"""The emulated home in network namespaces: `emulated_home` is its door, and the rooms below do the work."""
