"""Paragraphs, headings and tables as values, and their forms for terminal, Markdown, CSV and workbook."""
