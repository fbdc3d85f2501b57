"""Rule sets of effort: the built-in ones and the site's own."""
