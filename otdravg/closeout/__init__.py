"""The closeout package: workbook, paper, page, JSON and the traces themselves."""

#: What a closeout can consist of; the manifest is always there.
PARTS = ("csv", "xlsx", "pdf", "html", "json", "traces")
