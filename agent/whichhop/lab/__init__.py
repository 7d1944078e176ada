"""The emulated home, on paper and in namespaces."""
