"""Reports and cards on paper: HTML with drawings in SVG, and PDF, without Qt."""
