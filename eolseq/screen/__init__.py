"""What a person sees of a run: drawn on a terminal or told in plain lines. It decides nothing and never blocks."""
