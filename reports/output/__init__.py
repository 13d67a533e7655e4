"""The report as HTML, Markdown, CSV and JSON; the decision record; comparison of studies."""
