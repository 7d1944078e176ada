"""A dossier to paper: one page that a support desk reads in a minute, then the detail."""
