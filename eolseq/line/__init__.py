"""What surrounds a unit's test on the line: people, earlier checks, retests and rework, release, labels.

Pure where it decides; every decision is a gate that the engine is handed, or a sentence on a label.
"""
