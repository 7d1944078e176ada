"""One file a section: dossier in, section out."""
