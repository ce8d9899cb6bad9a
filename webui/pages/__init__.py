"""The pages: HTML made on the server, one module per page."""

from webui.pages import history, job, jobs, login, photo, plan, record, ridge, setup
from webui.pages.frame import pages

__all__ = ["history", "job", "jobs", "login", "pages", "photo", "plan", "record", "ridge", "setup"]
