"""End-of-line electrical safety test sequencer: from a YAML sequence, through pyvisa, to a signed record."""

__version__ = "0.1.0"
