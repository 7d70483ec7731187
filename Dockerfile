# One image for the API, the workers and beat; the command says which.
FROM python:3.11-slim

RUN useradd --system --create-home --uid 10001 ricasso
WORKDIR /app
COPY pyproject.toml requirements.lock README.md LICENSE ./
COPY layout layout
COPY service service
COPY fixtures fixtures
RUN pip install --no-cache-dir --require-hashes --requirement requirements.lock \
    && pip install --no-cache-dir --no-deps . \
    && install -d -o ricasso -g ricasso /data

USER ricasso
# The search of plans is compiled once for all containers, not by each at its start.
RUN cd / && python -c "from layout.plan.planner import prepare; prepare()"
ENV RICASSO_DATA=/data PYTHONUNBUFFERED=1
VOLUME /data
EXPOSE 8000
HEALTHCHECK --interval=15s --timeout=5s --start-period=40s --retries=4 \
    CMD ["python", "-c", "import urllib.request as r; r.urlopen('http://127.0.0.1:8000/readyz', timeout=4)"]
CMD ["ricasso", "serve", "--host", "0.0.0.0", "--port", "8000"]
