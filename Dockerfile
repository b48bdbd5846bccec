# benchword as one static program in an empty image: no shell, no package manager, not root.
#
#   docker build -t benchword .
#   docker run -d --name benchword -p 8080:8080 -v benchword:/data \
#       --read-only --tmpfs /tmp --cap-drop ALL --security-opt no-new-privileges benchword
#
# The volume holds the settings (/data/shop.toml), the database, the photos and the keys. In shop.toml set
# [web] listen = "0.0.0.0:8080": inside the container 127.0.0.1 would not be reached from outside.
# The first account: docker run --rm -it -v benchword:/data benchword staff add …

# The exact version that go.mod names; its digest is not known here, so pin the one that you pulled.
FROM golang:1.26.11-bookworm AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
RUN CGO_ENABLED=0 go build -trimpath -ldflags="-s -w" -o /out/benchword ./cmd/benchword
RUN mkdir -p /out/data /out/tmp && chmod 1777 /out/tmp

FROM scratch
COPY --from=build /etc/ssl/certs/ca-certificates.crt /etc/ssl/certs/ca-certificates.crt
COPY --from=build /out/benchword /benchword
# A new volume takes its owner from here.
COPY --from=build --chown=65532:65532 /out/data /data
COPY --from=build --chown=65532:65532 /out/tmp /tmp
USER 65532:65532
VOLUME /data
EXPOSE 8080
STOPSIGNAL SIGTERM
HEALTHCHECK --interval=30s --timeout=6s --start-period=10s --retries=3 \
    CMD ["/benchword", "health", "--url", "http://127.0.0.1:8080/healthz"]
ENTRYPOINT ["/benchword"]
CMD ["serve", "--config", "/data/shop.toml", "--data", "/data"]
