"""Is a closeout complete, unchanged, of one mind, and true in itself?"""
