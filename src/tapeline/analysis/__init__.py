"""Finished results for who goes on with them: joined tables, the notebook interface, files for spreadsheets."""
