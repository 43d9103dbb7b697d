"""The closeout as a workbook."""
