"""All settings, read from the environment by the strict readers of ``planner.environment``.

Variables: DEBUG (0 or 1, default 0), SECRET_KEY, ALLOWED_HOSTS, DATABASE_URL, REDIS_URL, TIME_ZONE, EMAIL_URL,
SITE_URL; for a server also DATABASE_PASSWORD, REDIS_PASSWORD, METRICS_TOKEN, PROXIES, HTTPS_ONLY, HSTS_SECONDS,
HSTS_SUBDOMAINS, HSTS_PRELOAD, LOG_FORMAT, LOG_LEVEL.
A secret, and each address that may hold one, can stand in a file: NAME_FILE names it.
"""

import warnings
from datetime import timedelta
from pathlib import Path

from planner import environment
from planner.operations import logs

BASE_DIR = Path(__file__).resolve().parent.parent

DEBUG = environment.read_flag("DEBUG", default=False)
DATABASES = {"default": environment.read_database("DATABASE_URL", BASE_DIR / "weighhouse.sqlite3")}
SECRET_KEY = environment.read_secret_key("SECRET_KEY", DATABASES["default"])
ON_SQLITE = DATABASES["default"]["ENGINE"].endswith("sqlite3")
ALLOWED_HOSTS = environment.read_hosts("ALLOWED_HOSTS") or (["localhost", "127.0.0.1", "[::1]"] if ON_SQLITE else [])
REDIS_URL = environment.read_redis_url("REDIS_URL")

MAIL = environment.read_mail_server("EMAIL_URL")
SITE_URL = environment.read_site_url("SITE_URL")
# Without a server nothing is mailed: what would have been stands recorded, and a system check says so.
EMAIL_BACKEND = MAIL.backend or "django.core.mail.backends.dummy.EmailBackend"
EMAIL_HOST, EMAIL_PORT = MAIL.host, MAIL.port
EMAIL_HOST_USER, EMAIL_HOST_PASSWORD = MAIL.user, MAIL.password
EMAIL_USE_TLS, EMAIL_USE_SSL = MAIL.starttls, MAIL.tls
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = MAIL.sender or "weighhouse@localhost"

USE_TZ = True
TIME_ZONE = environment.read_time_zone("TIME_ZONE", "UTC")
USE_I18N = True
LANGUAGE_CODE = "en-gb"

DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
ROOT_URLCONF = "planner.urls"
WSGI_APPLICATION = "planner.wsgi.application"

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "rest_framework",
    "knox",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "csp",
    "django_htmx",
    "inventory",
    "production",
    "planner",
]

MIDDLEWARE = [
    "planner.operations.requests.Requests",
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.middleware.gzip.GZipMiddleware",  # pads each answer by chance, so that its length tells nothing (BREACH)
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "planner.operations.requests.ClosedByDefault",  # closed by default: open pages say so
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "inventory.pages.conventions.conventions_middleware",
    "planner.pages.refusals.Refusals",
    "planner.pages.access.PageRights",  # closed by default: what the table of pages does not name is refused
]
CSRF_FAILURE_VIEW = "planner.pages.refusals.not_from_here"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "planner.pages.access.shown_on_every_page",
            ],
        },
    },
]

AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "start"

STATIC_URL = "static/"
STATIC_ROOT = BASE_DIR / "static_root"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "planner.operations.statics.CollectedOrPlain"},
}
# One process on one machine serves the files from where they are: there is nothing to collect.
WHITENOISE_USE_FINDERS = not (STATIC_ROOT / "staticfiles.json").is_file()
if not STATIC_ROOT.is_dir():
    warnings.filterwarnings("ignore", message="No directory at")

# A server speaks https alone. SQLite in one process serves the machine itself, over plain http.
ON_SERVER = not DEBUG and not ON_SQLITE
HTTPS_ONLY = environment.read_flag("HTTPS_ONLY", default=ON_SERVER)
# How many proxies of ours a request passes before it comes here. Only then are their headers believed: by whom and
# by which scheme they were reached. A header that anyone can write says nothing.
PROXIES = environment.read_number("PROXIES", 0, low=0, high=9)
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if PROXIES else None
SECURE_SSL_REDIRECT = HTTPS_ONLY
SECURE_REDIRECT_EXEMPT = [r"^healthz$", r"^readyz$", r"^metrics$"]  # asked from inside, where there is no https
SECURE_HSTS_SECONDS = environment.read_number(
    "HSTS_SECONDS", 365 * 86_400 if HTTPS_ONLY else 0, low=0, high=10 * 365 * 86_400
)
SECURE_HSTS_INCLUDE_SUBDOMAINS = environment.read_flag("HSTS_SUBDOMAINS", default=HTTPS_ONLY)
SECURE_HSTS_PRELOAD = environment.read_flag("HSTS_PRELOAD", default=HTTPS_ONLY)
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"

SESSION_COOKIE_SECURE = HTTPS_ONLY
CSRF_COOKIE_SECURE = HTTPS_ONLY
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"  # a link in a letter opens its page
CSRF_COOKIE_SAMESITE = "Strict"
SESSION_COOKIE_AGE = 7 * 86_400
CSRF_COOKIE_AGE = 7 * 86_400
PASSWORD_RESET_TIMEOUT = 4 * 3600

# What a request may hold. Files of tables come as the whole content of a request, bounded where they are read.
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 2_000
DATA_UPLOAD_MAX_NUMBER_FILES = 5

# Scripts, styles, pictures and fonts come from files of this server alone: nothing inline, nothing evaluated, no
# other host. (data: is for the small pictures that style sheets hold.) A page that needs more says so for itself,
# with the decorator csp_update.
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "font-src": ["'self'"],
        "connect-src": ["'self'"],
        "manifest-src": ["'self'"],
        "worker-src": ["'self'"],
        "media-src": ["'self'"],
        "form-action": ["'self'"],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
    }
}

# Names only: what they name is imported with the addresses of the API, when a request is served.
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "planner.api.authentication.TokenAuthentication",
        "planner.api.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["planner.api.access.RolePermission"],
    "DEFAULT_PARSER_CLASSES": ["planner.api.wire.Parser"],
    "DEFAULT_RENDERER_CLASSES": ["planner.api.wire.Renderer"],
    "DEFAULT_SCHEMA_CLASS": "planner.api.schema.Schema",
    "EXCEPTION_HANDLER": "planner.api.problems.answer",
    "URL_FORMAT_OVERRIDE": None,
    "NUM_PROXIES": PROXIES,
    "DEFAULT_THROTTLE_RATES": {"sign-in": "10/min", "sign-in-of-all": "120/min"},
}
# Tokens are kept as hashes only, end by themselves and are not renewed by use.
REST_KNOX = {
    "SECURE_HASH_ALGORITHM": "hashlib.sha512",
    "TOKEN_TTL": timedelta(days=30),
    "AUTO_REFRESH": False,
    "TOKEN_LIMIT_PER_USER": None,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Weighhouse",
    "VERSION": "1",
    "DESCRIPTION": "Stock, batches, plans and traces of one workshop.",
    "COMPONENT_SPLIT_PATCH": False,
    "SERVE_PERMISSIONS": ["planner.api.access.RolePermission"],
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "POSTPROCESSING_HOOKS": ["planner.api.schema.nothing_else"],
}

CACHES = {
    "default": {
        "BACKEND": "django.core.cache.backends.redis.RedisCache",
        "LOCATION": REDIS_URL,
        "OPTIONS": {"socket_connect_timeout": 3, "socket_timeout": 3},  # nobody waits long for who does not answer
    }
    if REDIS_URL
    else {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}
}

CELERY_BROKER_URL = REDIS_URL or "memory://localhost"
CELERY_TASK_IGNORE_RESULT = True
CELERY_TIMEZONE = TIME_ZONE
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
# A worker that died gives its task back within seconds, not after the broker's hour.
CELERY_TASK_ACKS_LATE = True
CELERY_BROKER_TRANSPORT_OPTIONS = (
    {
        "visibility_timeout": 600,
        "unacked_restore_interval": 2,
        "unacked_restore_throttle": 1,
        "socket_connect_timeout": 3,
        "socket_timeout": 10,
        "socket_keepalive": True,
    }
    if REDIS_URL
    else {"polling_interval": 0.02}
)
# A request that cannot ring does not wait for the broker: what is due stands in the database.
CELERY_TASK_PUBLISH_RETRY_POLICY = {"max_retries": 1, "interval_start": 0.1, "interval_max": 0.1}
CELERY_BROKER_CONNECTION_MAX_RETRIES = None  # a worker waits for its broker however long
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = False  # they run twice then, which does no harm
# One message in hand for each process, so that bells wait behind no heavy work: of that at most two run at once.
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_CONCURRENCY = 4
CELERY_WORKER_MAX_MEMORY_PER_CHILD = 600_000  # KiB: a child that large plan made large is replaced after it
CELERY_WORKER_PROC_ALIVE_TIMEOUT = 30.0  # a slow machine's children are given time to start
CELERY_WORKER_SOFT_SHUTDOWN_TIMEOUT = 20.0
# Of a bell; heavy jobs have their own. A worker's child that hangs within a step is ended.
CELERY_TASK_SOFT_TIME_LIMIT = 300
CELERY_TASK_TIME_LIMIT = 330
CELERY_WORKER_HIJACK_ROOT_LOGGER = False  # a worker's lines look like all others
CELERY_WORKER_REDIRECT_STDOUTS = False
CELERY_BEAT_SCHEDULE = {
    # Says that beat, broker and worker all work: see planner.operations.probe and the metrics.
    "hear-the-bell": {"task": "planner.operations.tasks.hear_the_bell", "schedule": 30.0, "options": {"expires": 60}},
    "clear-what-ended": {"task": "planner.operations.tasks.clear_what_ended", "schedule": 6 * 3600.0},
    # Rings for what is queued, and takes over what a dead worker left: planner.jobs.
    "sweep-jobs": {"task": "planner.jobs.tasks.sweep_jobs", "schedule": 10.0, "options": {"expires": 10}},
    "sweep-jobs-away": {"task": "planner.jobs.tasks.sweep_jobs_away", "schedule": 3600.0, "options": {"expires": 3600}},
    # They look often and work rarely: what is due stands in the database. See planner.notices.
    "look-at-causes": {"task": "planner.tasks.look_at_causes", "schedule": 60.0, "options": {"expires": 60}},
    # Works once a day: see planner.keeping.
    "sweep-old-away": {"task": "planner.tasks.sweep_old_away", "schedule": 3600.0, "options": {"expires": 3600}},
    "sweep-notices": {"task": "planner.tasks.sweep_notices", "schedule": 30.0, "options": {"expires": 30}},
}

LOGGING = logs.configuration(
    environment.read_choice("LOG_FORMAT", "json" if ON_SERVER else "line", logs.FORMATS),
    environment.read_choice("LOG_LEVEL", "INFO" if ON_SERVER else "WARNING", logs.LEVELS),
)

# Without it nobody reads the metrics.
METRICS_TOKEN = environment.read_secret("METRICS_TOKEN")
