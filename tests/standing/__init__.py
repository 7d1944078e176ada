"""Homes that are ill, healthy or odd from the first packet, drawn apart from the paper home's noise."""
