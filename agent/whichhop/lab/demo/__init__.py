"""The main job shown: a home, a fault, a verdict held against the truth."""
