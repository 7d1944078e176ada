"""A file a person wrote becomes a Home, or a list of complaints."""
