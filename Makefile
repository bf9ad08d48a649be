# Two commands are all a newcomer needs: make demo, make test.
# Each installs what is missing, builds, and runs.

GO          ?= go
STATICCHECK  = honnef.co/go/tools/cmd/staticcheck@v0.8.2
SOURCES      = cmd vision pose calib fixtures

# The version a result file records. The Makefile finds it, not the Go tool,
# so that a copy without git or with another owner still builds.
RELEASE := $(shell git describe --tags --always --dirty 2>/dev/null)
BUILD    = $(GO) build -buildvcs=false \
	-ldflags "-extld='$(CURDIR)/.ci/link' -X wheelplane/cmd/wheelplane/internal/cli.release=$(RELEASE)"

.PHONY: build demo test leaks accuracy speed need clean

build: need
	@$(BUILD) -o build/wheelplane ./cmd/wheelplane

demo: build
	build/wheelplane demo build/demo

test: need
	@unformatted=$$(gofmt -l $(wildcard $(SOURCES))) && \
	if [ -n "$$unformatted" ]; then \
		echo "gofmt -w these files:"; echo "$$unformatted"; exit 1; \
	fi
	$(GO) vet ./...
	$(GO) run $(STATICCHECK) ./...
	$(GO) test ./...

# Slower and rarer than test: gocv counts the Mats that are open, and none may
# be when the tests of a package are through.
leaks: need
	$(GO) test -tags matprofile ./vision ./calib

# The accuracy benchmark whole, as tables: one photograph against the bound of
# its pixels, jobs against the bound of their network, plans against what comes
# of them. Some minutes.
accuracy: need
	$(GO) test ./fixtures -run AccuracyOfOnePhotograph -accuracy -v -timeout 60m
	$(GO) test ./pose/rig -run NetworkReachesItsBound -accuracy -v -timeout 60m
	$(GO) test ./calib/jig -run NormalisedErrors -accuracy -v -timeout 60m
	$(GO) test ./pose/plan -run 'Plan|NextBest' -accuracy -v -timeout 60m

# Speed side by side with others, in one run: ratios count. Some minutes, and
# only worth something on a machine that does nothing else.
speed: need
	@echo "$$(uname -srm), $$(nproc) cores, $$($(GO) version), OpenCV $$(pkg-config --modversion opencv4)"
	$(GO) test ./cmd/wheelplane/internal/cli -run '^$$' -bench 'Measure|StartUp' -benchtime 3x -v -timeout 60m
	$(GO) test ./vision -run '^$$' -bench FitOneBoard
	$(GO) test ./pose/rig -run '^$$' -bench 'AgainstCeres|Growth|Measured' -v -timeout 60m

need:
	@GO="$(GO)" .ci/need

clean:
	rm -rf build
