# Every check and chore of the project. `make test` is the whole of it; .ci/run calls that.

.PHONY: test setup lint proto-check proto-freeze generate bench soak fuzz cover

# One target after the other, in the order written, also under make -j.
.NOTPARALLEL:

GOFMT := $(shell go env GOROOT)/bin/gofmt

# Everything: outside tools, lint, messages, all tests under the race detector. No result is taken from the cache.
test: setup lint proto-check
	go test -race -count=1 -timeout 40m ./...

# The outside tools the checks need; installed when missing, where that is possible.
setup:
	@.ci/setup

# Form and habits. It changes nothing.
lint:
	@files=$$($(GOFMT) -l .) && if [ -n "$$files" ]; then echo "gofmt would change:" >&2; echo "$$files" >&2; exit 1; fi
	go vet ./...
	go tool -modfile=proto/tools/lint.mod staticcheck ./...
	go tool -modfile=proto/tools/buf.mod buf lint

# The generated Go is what the .proto files give, and what was written with older messages can be read.
proto-check:
	.ci/proto check

# Keeps the messages of today as those that must stay readable.
proto-freeze:
	.ci/proto freeze

# The generated Go, anew.
generate:
	.ci/proto generate

# The three ratios: writes, streamed readings, a log.
bench:
	go test -run "^$$" -bench Ratios -benchtime 1x ./cmd/kettlebook

# The store under long load and kill -9, many times over.
soak:
	KETTLEBOOK_SLOW=20 go test -count=1 -v -timeout 30m -run 'Kill|Fault|Flipped|Suite' ./records/store/...

# Every fuzz target for FUZZTIME each (default 60s).
fuzz:
	.ci/fuzz

# Which share of the statements the tests run.
cover:
	.ci/cover
