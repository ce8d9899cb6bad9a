"""The report: a PDF that an engineer can sign, made from a job's record and its originals."""
