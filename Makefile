# make demo   sets up, builds and runs plumbline on a virtual rig
# make test   sets up, checks the source and runs all tests

.PHONY: help demo build test check bench live capacity fuzz mutants truth watch-day soak pictures release clean

help: ## say what can be made
	@awk -F": .*## |## " '/^[a-z-]+:.*## / { split($$1, t, ":"); printf "  make %-10s %s\n", t[1], $$2 }' Makefile

demo: build ## set up, build, and run the analyzer on a virtual rig (stop it with Ctrl-C)
	@build/plumbline demo

# Without PortAudio the program still does all but devices, so that a set-up
# that could not finish does not stand in the way of the demo.
build: ## set up and build build/plumbline
	@.ci/setup build || true
	@.ci/build build/plumbline

test: ## set up, check the source, run all tests
	@.ci/setup test
	@.ci/check
	@.ci/test

check: ## format, vet, static checks, types of the pages
	@.ci/check

live: ## the program and its pages at length: all that make test has, and the tours it leaves out
	@.ci/setup test
	@PLUMBLINE_REQUIRE=pulse,browser PLUMBLINE_LIVE=1 go test -count=1 -timeout 60m -parallel 2 ./cmd/plumbline
	@PLUMBLINE_LIVE=1 go test -count=1 -timeout 30m -parallel 2 -run InRealTime ./cmd/plumbline/daemon

bench: ## benchmarks beside the stored run of this machine (KEEP=1 stores this one), and `response` beside scipy
	@.ci/setup bench
	@.ci/bench

fuzz: ## every fuzz target for a minute
	@.ci/setup build
	@.ci/fuzz

mutants: ## change the code in many places and see which changes no test notices (PART=k/n: one part in n; hours)
	@.ci/setup test
	@go run ./.ci/mutants $(PART)

truth: ## the long statistical proofs; rewrites their table in testdata/PROOFS.md
	@.ci/prove truth PLUMBLINE_TRUTH ./analyze/... ./stream/... ./cmd/plumbline ./cmd/plumbline/planning ./cmd/plumbline/daemon

watch-day: ## simulated 8-hour days and faults for the watch; rewrites their table in testdata/PROOFS.md
	@.ci/prove watch-day PLUMBLINE_WATCH_DAY ./analyze/watch ./cmd/plumbline/watching

soak: ## a day of the daemon, faster than the clock: does anything grow? (HOURS=24: all of it; else what goes into 8 minutes)
	@.ci/prove soak PLUMBLINE_SOAK -run '^TestSoak$$' ./cmd/plumbline/daemon

capacity: ## 200 and 1,000 viewers of a daemon in another process: gaps, latency, processor for each
	@.ci/prove capacity PLUMBLINE_CAPACITY -run '^TestCapacity$$' ./cmd/plumbline/daemon

pictures: ## the pictures of all pages, on four screens and both grounds, and those of the documents
	@.ci/setup test
	@go test -count=1 ./cmd/plumbline -run '^(TestPictures|TestListenPageDraws|TestWholeSurveyInRealTime|TestWatchFindsTheFlippedFillInRealTime)$$' -update

release: ## archives and packages for people without Go, each of them run (AGAIN=1: built twice, and compared); needs Debian
	@.ci/setup release
	@.ci/release

clean: ## remove what was built
	rm -rf build
