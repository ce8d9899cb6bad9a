"""The ruler: lengths, cameras, lenses, reference targets. Imports neither vision nor webui."""
