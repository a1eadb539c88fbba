# docker buildx build --platform linux/amd64,linux/arm64,linux/arm/v7 -t diastole .
# The build runs on the machine's own platform; Go compiles for the other one.
FROM --platform=$BUILDPLATFORM golang:1.26-bookworm AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
ARG TARGETOS TARGETARCH TARGETVARIANT
RUN CGO_ENABLED=0 GOOS=$TARGETOS GOARCH=$TARGETARCH GOARM=${TARGETVARIANT#v} \
    go build -trimpath -ldflags "-s -w" -o /out/diastole ./cmd/diastole
# Empty folders, for scratch has no mkdir: the volume takes its owner from the first, SQLite sorts in the second.
RUN mkdir -p /out/state /out/tmp

FROM scratch
COPY --from=build /etc/ssl/certs/ca-certificates.crt /etc/ssl/certs/ca-certificates.crt
COPY --from=build /out/diastole /diastole
COPY --from=build --chown=65532:65532 /out/state /var/lib/diastole
COPY --from=build --chown=65532:65532 /out/tmp /tmp
USER 65532:65532
ENV STATE_DIRECTORY=/var/lib/diastole
VOLUME /var/lib/diastole
# Page, API, /metrics, /healthz. The agent listens on the loopback interface only: see deploy/README.md.
# There is no HEALTHCHECK: the image holds no program that could ask /healthz. Let the supervisor ask it.
EXPOSE 8317
ENTRYPOINT ["/diastole"]
CMD ["run", "-c", "/etc/diastole/diastole.yaml"]
