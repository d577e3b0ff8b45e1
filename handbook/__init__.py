"""The documentation site: written pages, and pages made from the package itself."""
