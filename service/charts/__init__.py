"""One Vega-Lite specification a chart; SVG and PNG from the same specification."""
