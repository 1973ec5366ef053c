"""Pages in a real browser. Test help only."""
