"""What lies in the folders, and what each file claims to be."""
