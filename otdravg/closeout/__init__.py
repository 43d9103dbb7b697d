"""The closeout package: workbook, paper, page, JSON and the traces themselves."""
