"""The pages and the interface for programs: everything shown comes from the record, nothing can be switched from it."""
