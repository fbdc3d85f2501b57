"""The printed report: one document, drawn as PDF and as HTML."""
