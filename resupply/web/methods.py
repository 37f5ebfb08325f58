"""Which methods a view takes, where it is more than one."""

from django.views.decorators.http import require_http_methods

GET_OR_POST = require_http_methods(["GET", "POST"])
GET_HEAD_OR_POST = require_http_methods(["GET", "HEAD", "POST"])
