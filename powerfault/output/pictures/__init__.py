"""Every drawing: one-line drawings, cases, timelines, curves, and their forms SVG, PNG and DOT."""
