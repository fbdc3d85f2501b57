"""The site's own error of measurement, from pairs of repeated tests."""
