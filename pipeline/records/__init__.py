"""What a scan found and what people did about it, in a database."""
