"""All kinds of output, a file or folder for each; `file_formats.py` has the table of formats."""
