# Build:  docker build -t wrench-drift .
# Run:    docker run --read-only --cap-drop ALL -p 127.0.0.1:8620:8620 -v wrench-drift:/data wrench-drift
#
# Everything that changes lies in /data; the root file system may be read-only. With
# -e DATABASE_URL=postgresql://... -e WRENCH_DRIFT_STORE= the records are kept by that server.

FROM python:3.11.14-slim-bookworm AS build
WORKDIR /source
COPY pyproject.toml constraints.txt README.md LICENSE ./
COPY analysis analysis
COPY service service
COPY datasets_demo datasets_demo
RUN python -m venv /opt/wrench-drift \
 && /opt/wrench-drift/bin/pip install --no-cache-dir --disable-pip-version-check \
      --constraint constraints.txt '.[postgresql]'

FROM python:3.11.14-slim-bookworm
COPY --from=build /opt/wrench-drift /opt/wrench-drift
# A named volume takes over the owner of the folder that it covers.
RUN groupadd --gid 10001 wrench-drift \
 && useradd --uid 10001 --gid 10001 --no-create-home --shell /usr/sbin/nologin wrench-drift \
 && install --directory --owner 10001 --group 10001 /data
# SQLITE_TMPDIR: large sorts spill to the volume, since there may be no other place to write.
ENV PATH=/opt/wrench-drift/bin:$PATH \
    PYTHONDONTWRITEBYTECODE=1 \
    PYTHONUNBUFFERED=1 \
    SQLITE_TMPDIR=/data \
    WRENCH_DRIFT_STORE=/data/wrench-drift.db \
    WRENCH_DRIFT_HOST=0.0.0.0 \
    WRENCH_DRIFT_PORT=8620
WORKDIR /data
VOLUME /data
USER 10001:10001
EXPOSE 8620
# urlopen raises on a refused connection and on every status from 400 on: exit code 1.
HEALTHCHECK --interval=30s --timeout=5s --start-period=20s --retries=3 \
  CMD ["python", "-c", "import os, urllib.request; urllib.request.urlopen('http://127.0.0.1:' + os.environ['WRENCH_DRIFT_PORT'] + '/health/live', timeout=4)"]
CMD ["wrench-drift", "serve"]
