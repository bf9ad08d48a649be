# Two commands are all a newcomer needs: make demo, make test.
# Each installs what is missing, builds, and runs.

GO          ?= go
GOVULNCHECK  = golang.org/x/vuln/cmd/govulncheck@v1.9.0
STATICCHECK  = honnef.co/go/tools/cmd/staticcheck@v0.8.2
SOURCES      = cmd vision pose calib fixtures

# The version a result file records. The Makefile finds it, not the Go tool,
# so that a copy without git or with another owner still builds.
RELEASE := $(shell git describe --tags --always --dirty 2>/dev/null)
BUILD    = $(GO) build -buildvcs=false \
	-ldflags "-extld='$(CURDIR)/.ci/link' -X wheelplane/cmd/wheelplane/internal/cli.release=$(RELEASE)"

.PHONY: build demo test vuln fuzz leaks accuracy speed need clean

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
	$(GO) test -timeout 20m ./...

# Known weaknesses in what is linked. Asks vuln.go.dev, so it needs the network;
# where that cannot be reached it says so and is no failure.
vuln: need
	@if curl -sSf -m 20 -o /dev/null https://vuln.go.dev/index/db.json 2>/dev/null; then \
		$(GO) run $(GOVULNCHECK) ./...; \
	else \
		echo "skipped: vuln.go.dev cannot be reached, so known weaknesses were not looked up"; \
	fi

# Every reader of what comes from outside, fuzzed for FUZZTIME each. What is found
# is kept in testdata/fuzz of the package, and tried by test from then on.
FUZZTIME ?= 5m
fuzz: need
	@for p in $$(grep -rl --include='*_test.go' '^func Fuzz' $(SOURCES) | xargs -n1 dirname | sort -u); do \
		for f in $$(grep -ho '^func Fuzz[A-Za-z]*' $$p/*_test.go | cut -d' ' -f2); do \
			echo "$$p $$f"; $(GO) test ./$$p -run '^$$' -fuzz "^$$f\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 2s || exit 1; \
		done; \
	done

# Slower and rarer than test: gocv counts the Mats that are open, and none may
# be when the tests of a package, or a command of the scripts, are through.
leaks: need
	$(GO) test -tags matprofile ./vision ./calib
	$(GO) test -tags matprofile ./cmd/wheelplane/internal/cli -run Scripts

# The accuracy benchmark whole, as tables: one photograph against the bound of
# its pixels, jobs against the bound of their network, plans against what comes
# of them. Some minutes.
accuracy: need
	$(GO) test ./fixtures -run AccuracyOfOnePhotograph -accuracy -v -timeout 60m
	$(GO) test ./pose/rig -run NetworkReachesItsBound -accuracy -v -timeout 60m
	$(GO) test ./pose/rig -run NetworkReachesItsBound -accuracy -swept -v -timeout 60m
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
