# A static image: one file, no shell, no root.
#
#   docker build -t fanwarden --build-arg VERSION=1.2.3 .
#   docker run -d -p 9640:9640 \
#     -v "$PWD/fleet.toml:/etc/fanwarden/fleet.toml:ro" -v fanwarden:/var/lib/fanwarden fanwarden
#
# In the fleet file, [web] listen must be ":9640": what listens on 127.0.0.1
# inside a container is seen by nobody outside.
FROM golang:1.26 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
ARG VERSION=dev
RUN CGO_ENABLED=0 go build -trimpath -ldflags="-s -w -X main.version=${VERSION}" -o /out/fanwarden ./cmd/fanwarden
# The store's folder must belong to the user of the image, and an empty base
# has no mkdir to make it with.
RUN mkdir -p /out/state

FROM scratch
COPY --from=build /out/fanwarden /fanwarden
COPY --from=build --chown=65532:65532 /out/state /var/lib/fanwarden
USER 65532:65532
EXPOSE 9640
VOLUME /var/lib/fanwarden
STOPSIGNAL SIGTERM
ENTRYPOINT ["/fanwarden"]
CMD ["run", "--config", "/etc/fanwarden/fleet.toml"]
