"""One file per kind of probe; kinds never import each other."""
