"""The review page's application: one factory that puts its parts together."""

from flask_openapi3.models.info import Info
from flask_openapi3.openapi import OpenAPI

from webui.desk import Desk, put_desk
from webui.pages import pages
from webui.security import secure
from webui.settings import Settings
from webui.software import ridgewitness_version

_ABOUT = "Push photos of a ridge, pull what was measured on them; the same actions as on the pages."


def create_app(settings: Settings) -> OpenAPI:
    """Make the application of one desk.

    Parameters
    ----------
    settings : Settings
        How it is run.

    Returns
    -------
    OpenAPI
        A Flask application; its desk is closed with `webui.desk.Desk.close`.

    Raises
    ------
    FileError
        If the data folder cannot be used.
    StoreError
        If a newer version of the software made it.
    """
    info = Info(title="ridgewitness", version=ridgewitness_version(), description=_ABOUT)
    app = OpenAPI("webui", info=info, doc_ui=False)
    put_desk(app.extensions, Desk.open(settings))
    secure(app, settings)
    app.register_blueprint(pages)
    return app
