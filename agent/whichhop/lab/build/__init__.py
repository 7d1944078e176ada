"""An emulated home is built: addresses, namespaces and their devices, and programs run in them."""
