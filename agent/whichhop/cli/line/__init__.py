"""The modem's levels, and the cable between it and the street."""
