"""Everything that must outlive the process, changed in one transaction a cycle."""
