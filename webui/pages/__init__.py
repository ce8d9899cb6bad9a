"""The pages: HTML made on the server."""

from flask import Blueprint, render_template_string

from webui.desk import the_desk

pages = Blueprint("pages", __name__)

_JOBS = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Jobs</title></head>
<body><h1>Jobs</h1><ul>{% for job in jobs %}<li>{{ job.name }}</li>{% endfor %}</ul></body></html>
"""


@pages.get("/")
def jobs() -> str:
    """Show the jobs."""
    return render_template_string(_JOBS, jobs=the_desk().store.jobs())
