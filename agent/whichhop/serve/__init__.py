"""What other programs read: metrics, records, the page."""
