"""Every setting of the site, read from the environment. Importing this file writes nothing.

With DEMO=1 (what `make run` and the tests use) values that only a demonstration on one machine may assume are
filled in. Without it, a missing secret or address is an error that names the variable.
"""

import os
import secrets
from base64 import b64encode
from datetime import timedelta
from pathlib import Path

import pgtrigger
from bootstrap_wrapper import get_bootstrap_css_dir, get_bootstrap_js_dir
from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured

from clinic import environment
from clinic.processes import is_loopback

BASE_DIR = Path(__file__).resolve().parent.parent
DEMO = environment.read_flag(os.environ, "DEMO")
env = environment.Environment(os.environ, demo=DEMO)

DEBUG = False
VERSION = "0.1.0"  # as in pyproject.toml, which the image does not hold
VAR_DIR = env.path("VAR_DIR", default=BASE_DIR / "var")

# --- who we are ---------------------------------------------------------------------------------------------
CLINIC_NAME = env.text("CLINIC_NAME", demo="Juniper Bend Sleep Clinic (demo)")
PUBLIC_URL = env.text("PUBLIC_URL", demo="http://127.0.0.1:8000").rstrip("/")
_PUBLIC = environment.site(PUBLIC_URL)
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS", demo="127.0.0.1,localhost,[::1]")
CSRF_TRUSTED_ORIGINS = [PUBLIC_URL]


def _demo_secret() -> str:
    """Return the key that `make run` left under var/, or one that lasts as long as this process."""
    kept = VAR_DIR / "secret-key"
    return kept.read_text().strip() if kept.exists() else secrets.token_urlsafe(50)


SECRET_KEY = env.text("SECRET_KEY", demo=_demo_secret() if DEMO else None)
if not DEMO and len(SECRET_KEY) < 50:
    raise ImproperlyConfigured("SECRET_KEY must have at least 50 characters.")

# --- parts --------------------------------------------------------------------------------------------------
INSTALLED_APPS = [
    "clinic.accounts",
    "resupply",
    "pgtrigger",
    "pghistory",
    "crispy_forms",
    "crispy_bootstrap5",
    "django_htmx",
    "csp",
    "axes",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "django.contrib.postgres",
]

MIDDLEWARE = [
    "clinic.requests.Requests",
    "clinic.health.Health",
    "clinic.headers.NoPlainPrograms",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "clinic.headers.CompressedPages",
    "clinic.headers.Headers",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "clinic.history.ScrubbingHistory",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "resupply.web.access.Guessing",
    "clinic.accounts.guard.Guard",
    "resupply.web.access.Gate",
    "resupply.web.access.ReadLog",
    "allauth.account.middleware.AccountMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "clinic.urls"
WSGI_APPLICATION = "clinic.wsgi.application"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "clinic.context.clinic",
                "resupply.web.context.staff_page",
            ],
        },
    }
]
CRISPY_ALLOWED_TEMPLATE_PACKS = "bootstrap5"
CRISPY_TEMPLATE_PACK = "bootstrap5"

# --- keys of what lies encrypted ----------------------------------------------------------------------------
# Contact data of patients: encrypted under the first of DATA_KEYS, read under any of them, and looked for by
# keyed hashes: written under the first of INDEX_KEY, found under any of them.
_DEMO_KEY = b64encode(b"only for a demo on this machine.").decode()
DATA_KEYS = env.keys("DATA_KEYS", demo=_DEMO_KEY)
INDEX_KEYS = env.keys("INDEX_KEY", demo=_DEMO_KEY)
if not DATA_KEYS or not INDEX_KEYS:
    raise ImproperlyConfigured("DATA_KEYS and INDEX_KEY must hold keys of 32 bytes in base64.")

# --- stores -------------------------------------------------------------------------------------------------
DATABASES = {
    "default": environment.database(
        env.text("DATABASE_URL", demo=f"postgresql://postgres@/evenkeep?host={VAR_DIR / 'postgres'}"),
        pool_size=env.number("DB_POOL", default=0, least=0),
    )
}

# The broker, and the cache in a database of its own: clearing a cache empties its whole Redis database.
REDIS_URL = env.text("REDIS_URL", demo="memory://")
if REDIS_URL == "memory://":  # a command of the demo without Redis: nothing is queued, nothing shared
    CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
else:
    CACHE_URL = env.text("CACHE_URL", demo=environment.beside(REDIS_URL))
    if environment.same_redis(REDIS_URL, CACHE_URL):
        raise ImproperlyConfigured("REDIS_URL (broker) and CACHE_URL must not be the same Redis database.")
    CACHES = {"default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": CACHE_URL}}

# --- sign-in ------------------------------------------------------------------------------------------------
AUTH_USER_MODEL = "accounts.User"
AUTHENTICATION_BACKENDS = ["axes.backends.AxesStandaloneBackend", "clinic.accounts.backends.StaffBackend"]
# Ten wrong passwords for one name from one address shut that name there for a while, known or unknown:
# of one name alone anybody could shut out a colleague, of one address alone a whole desk.
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_FAILURE_LIMIT = 10
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_RESET_ON_SUCCESS = True
AXES_RESET_COOL_OFF_ON_FAILURE_DURING_LOCKOUT = False
AXES_LOCKOUT_CALLABLE = "clinic.accounts.lockout.locked_out"
AXES_SENSITIVE_PARAMETERS = ["password", "csrfmiddlewaretoken", "next"]
AXES_ENABLE_ADMIN = AXES_VERBOSE = False
# Of allauth: codes, passkeys and recovery codes. Its pages are not used, and nobody signs up.
ACCOUNT_ADAPTER = "clinic.accounts.adapter.Accounts"
MFA_ADAPTER = "clinic.accounts.adapter.SecondSteps"
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_RECOVERY_CODE_DIGITS = 10
MFA_WEBAUTHN_ALLOW_INSECURE_ORIGIN = False
LOGIN_URL = "login"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "login"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 12},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "clinic.accounts.words.WordsOfTheClinic"},
]
SESSION_ENGINE = "django.contrib.sessions.backends.db"
SESSION_IDLE_MINUTES = env.number("SESSION_IDLE_MINUTES", default=15)  # desks are shared
SESSION_COOKIE_AGE = env.number("SESSION_HOURS", default=12) * 3600  # one working day, whatever is done
# The demo on its own machine is entered by password alone.
SECOND_STEP = not (DEMO and is_loopback(_PUBLIC.hostname or ""))
SESSION_EXPIRE_AT_BROWSER_CLOSE = True
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = not DEMO
SESSION_COOKIE_HTTPONLY = CSRF_COOKIE_HTTPONLY = True
if not DEMO:  # browsers take such names only over TLS, for this host alone and for all of it
    SESSION_COOKIE_NAME, CSRF_COOKIE_NAME = "__Host-session", "__Host-csrf"
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"  # they name parts: not in a cookie

# --- what a browser may do ----------------------------------------------------------------------------------
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "font-src": [SELF],
        "connect-src": [SELF],
        "form-action": [SELF],
        "img-src": [SELF, "data:"],
        "base-uri": [NONE],
        "object-src": [NONE],
        "frame-ancestors": [NONE],
    }
}
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
SECURE_SSL_REDIRECT = not DEMO
SECURE_HSTS_SECONDS = 0 if DEMO else 365 * 24 * 3600
SECURE_HSTS_INCLUDE_SUBDOMAINS = not DEMO
# Asking browsers to preload a clinic's domain is its owner's decision: no `preload`, no warning about it.
SILENCED_SYSTEM_CHECKS = ["security.W021"]
# The proxy appends the address that it saw to X-Forwarded-For: the last one is the visitor's.
FORWARDED_FOR = env.flag("FORWARDED_FOR")
if env.flag("BEHIND_TLS_PROXY"):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

# --- files --------------------------------------------------------------------------------------------------
STATIC_URL = "static/"
STATIC_ROOT = VAR_DIR / "static"
STATICFILES_DIRS = [
    ("bootstrap/css", str(get_bootstrap_css_dir())),
    ("bootstrap/js", str(get_bootstrap_js_dir())),
]
# Tests and people at work on the stylesheet read the files where they lie, without `collectstatic`.
STATIC_FROM_SOURCE = DEMO and env.flag("STATIC_FROM_SOURCE")
WHITENOISE_USE_FINDERS = WHITENOISE_AUTOREFRESH = STATIC_FROM_SOURCE
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if STATIC_FROM_SOURCE
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}

# --- files sent to us ---------------------------------------------------------------------------------------
# They hold patients' data, so they stay in memory and never touch a disk. A longer request brings none.
FILE_UPLOAD_HANDLERS = ["django.core.files.uploadhandler.MemoryFileUploadHandler"]
FILE_UPLOAD_MAX_MEMORY_SIZE = 21 * 1024 * 1024

# --- change history -----------------------------------------------------------------------------------------
PGHISTORY_LEVEL = pgtrigger.Statement  # one call a statement: bulk writes are 8 times as fast as by row
# Reading changes nothing that has a history. On every request it would look up the session, also where a
# calendar feed must neither have a cookie nor depend on one.
PGHISTORY_MIDDLEWARE_METHODS = ("POST", "PUT", "PATCH", "DELETE")

# --- reminders ----------------------------------------------------------------------------------------------
SWEEP_SECONDS = env.number("SWEEP_SECONDS", default=30 if DEMO else 60)  # how often due work is looked for

ANSWER_BY_LINK = env.flag("ANSWER_BY_LINK", default=True)  # messages carry a link by which patients answer

# --- backups ------------------------------------------------------------------------------------------------
# Keys of backup files, the newest first; none: no backups. They are not kept where the files are.
BACKUP_KEYS = env.keys("BACKUP_KEY", demo=b64encode(b"only for a demo on this machine.").decode(), default="")

# --- metrics ------------------------------------------------------------------------------------------------
METRICS_TOKEN = env.text("METRICS_TOKEN", default="")  # the password of /metrics; empty: there is none
if METRICS_TOKEN and len(METRICS_TOKEN) < 32:
    raise ImproperlyConfigured("METRICS_TOKEN must have at least 32 characters.")

# --- sharing ------------------------------------------------------------------------------------------------
FHIR = env.flag("FHIR", default=False)  # programs with a token may read records as HL7 FHIR R4
EXPORT_FOLDER = env.text("EXPORT_FOLDER", default="")  # where each night's open tables go; empty: none

# --- mail ---------------------------------------------------------------------------------------------------
DEFAULT_FROM_EMAIL = SERVER_EMAIL = env.text("MAIL_FROM", demo="demo clinic <desk@clinic.example>")
STOP_MAIL = env.text("STOP_MAIL", default="")  # where "stop" by mail is read, if anywhere
MAIL_FOLDER = VAR_DIR / "mail"  # where the demo's mail lands when no SMTP server is named
if DEMO and not os.environ.get("EMAIL_URL"):
    EMAIL_BACKEND = "clinic.mail.FolderBackend"
else:
    globals().update(environment.mail(env.text("EMAIL_URL")))

# --- text messages ------------------------------------------------------------------------------------------
# Where nothing is named, none are sent, and none come in. In the demo each becomes a file beside the mail.
globals().update(
    environment.texts(
        env,
        url=env.text("TEXT_URL", demo=f"file://{VAR_DIR.absolute() / 'texts'}", default=""),
        sender=env.text("TEXT_FROM", demo="demo clinic <+13035550100>", default=""),
    )
)
PHONE_REGION = env.text("PHONE_REGION", default="US").upper()  # where a number without a country code is

# --- time and language --------------------------------------------------------------------------------------
USE_TZ = True
TIME_ZONE = "UTC"
LANGUAGE_CODE = "en-us"
USE_I18N = True

# --- logs ---------------------------------------------------------------------------------------------------
# JSON lines for programs, plain ones for a person at the demo; both scrub what they are given.
_FORMATTER = {"json": "clinic.logs.JsonFormatter", "text": "clinic.logs.ScrubbingFormatter"}[
    env.choice("LOG_FORMAT", ("json", "text"), default="text" if DEMO else "json")
]
_LEVEL = env.choice("LOG_LEVEL", ("DEBUG", "INFO", "WARNING", "ERROR", "CRITICAL"), default="INFO")
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"()": _FORMATTER}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": _LEVEL},
    # Django's own defaults would add a handler that mails requests to administrators, unscrubbed.
    "loggers": {"django": {"handlers": [], "level": "INFO", "propagate": True}},
}
