"""What may be said to a provider: span, figures, charts, stand-ins for names."""
