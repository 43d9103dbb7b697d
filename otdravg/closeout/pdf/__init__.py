"""The closeout on paper."""
