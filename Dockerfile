# One image for web, worker, scheduler and migrations; docker-compose.yml says which command each runs.
FROM python:3.13-slim AS packages
WORKDIR /build
COPY requirements.lock .
RUN python -m venv /venv \
    && /venv/bin/pip install --no-cache-dir --disable-pip-version-check --require-hashes -r requirements.lock

FROM python:3.13-slim
ENV PATH=/venv/bin:$PATH PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1
RUN useradd --uid 10001 --no-create-home --shell /usr/sbin/nologin evenkeep
WORKDIR /app
COPY --from=packages /venv /venv
COPY manage.py ./
COPY clinic clinic
COPY resupply resupply
COPY templates templates
# The demo's settings serve for gathering files: they need no secret, and none is left in the image.
RUN python -m compileall -q clinic resupply && DEMO=1 python manage.py collectstatic --noinput --verbosity 0
USER evenkeep
EXPOSE 8000
