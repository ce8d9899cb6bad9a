"""The desk: command line, pages, records, reports, evidence. Imports vision and calib."""
