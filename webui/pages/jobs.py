"""The list of jobs."""

from flask import request

from webui.desk import the_desk
from webui.pages.frame import pages, render
from webui.session import require


@pages.get("/")
def jobs() -> str:
    """Show the jobs in work or, if asked, those archived."""
    require("reader")
    search, archived = request.args.get("search", ""), "archived" in request.args
    found = the_desk().store.jobs(search, archived=archived)
    return render("jobs.html", "jobs", jobs=found, search=search, archived=archived)
