# Targets for contributors; the README's two commands need none of them.

GO ?= go
VERSION ?= 0.1.0
LDFLAGS = -s -w -X main.version=$(VERSION)
FUZZTIME ?= 30s

.PHONY: measure simulators help FORCE release reproducible package-check manual golden build test short bench fuzz mounts piers survey pixels cost nosky licences catalogue screenshots

help: ## this list
	@sed -n 's/^\([a-z][a-z-]*\):[^#]*## \(.*\)/\1\t\2/p' $(MAKEFILE_LIST) | sort | awk -F '\t' '{ printf "%-16s %s\n", $$1, $$2 }'

build: ## the program, in ./polard
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags '$(LDFLAGS)' -o polard ./cmd/polard

test: ## everything that continuous integration runs
	bash .ci/test

short: ## a quick look while working
	$(GO) vet ./... && $(GO) test -short ./...

measure: ## cmd/polard/docs/measurements.md anew, from this very commit; EFFORT=N for N times the cases
	bash .ci/measure

bench: ## all benchmarks
	$(GO) test -run xxx -bench . ./...

fuzz: ## every fuzz target for FUZZTIME each
	@for p in $$($(GO) list ./...); do \
		for f in $$($(GO) test -list '^Fuzz' $$p | grep '^Fuzz'); do \
			echo "== $$p $$f"; \
			$(GO) test -run xxx -fuzz "^$$f$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 20x $$p || exit 1; \
		done; \
	done

SHOTS ?= /tmp/polard-screenshots
screenshots: ## a picture of each step of the page, on a phone and a laptop, by day and by night, into SHOTS
	mkdir -p "$(SHOTS)"
	POLARD_SHOTS="$(SHOTS)" $(GO) test -count 1 -run '^(TestPage|TestBrowser)$$' ./web ./cmd/polard

kills: ## kill the service N times at random moments of a rehearsal, once more among files of old times; nothing may be lost or doubled
	$(GO) test ./cmd/polard -count 1 -run 'TestKilled(AmongOldTimes)?$$' -v -timeout 2h -args -kills $(or $(N),200)

hostile: ## N images that no camera takes, up to 60 megapixels, each read by a process that may have the memory stated and no more; SEED
	$(GO) test ./cmd/polard -count 1 -run 'TestHostileImages$$' -v -timeout 6h -args -hostile $(or $(N),500) $(if $(SEED),-hostile.seed $(SEED))

simulators: ## a mount and a camera simulated by Debian's indi-bin, for 'polard measure --indi localhost' (PORT: 7624)
	cmd/polard/internal/devices/gsc/simulators.sh $(or $(PORT),7624)

cloudy: ## a night of clouds, caps and other cameras at its own pace, SEED: from the first clear frame to its numbers
	$(GO) test ./cmd/polard -count 1 -run 'TestCloudyNight$$' -v -timeout 1h -args -cloudy $(or $(EVERY),2s) -cloudy.kills $(or $(N),0) -cloudy.seed $(or $(SEED),0)

soak: ## N frames through the service: the curve of memory, goroutines and open files
	$(GO) test ./cmd/polard -count 1 -run 'TestSoak$$' -v -timeout 6h -args -soak $(or $(N),20000)

crowd: ## 300 websocket clients, of whom 100 never read and 50 come and go
	$(GO) test ./web -count 1 -run 'TestCrowd$$' -v -args -crowd

audit: ## known weaknesses of the dependencies (needs the network), and their versions
	-$(GO) run golang.org/x/vuln/cmd/govulncheck@v1.9.0 ./...
	$(GO) version
	$(GO) list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}{{end}}{{end}}' ./cmd/polard | sort -u

mounts: ## how well the axes of 200 random mounts are found
	$(GO) test -run xxx -bench RandomMounts -benchtime 200x ./cmd/polard

piers: ## what 200 piers cost through one broker
	$(GO) test ./cmd/polard -run 'TestOverview$$' -piers 200 -v

survey: ## how many star lists of each field size are matched, N for each kind of hint, and whether lists without sky are, 6 N of each kind
	$(GO) test -v -timeout 6h ./solve/match -run 'TestSurvey(WithoutSky)?$$' -survey $(or $(N),60) -survey.seed $(or $(SEED),1) -survey.nosky $$((6 * $(or $(N),60)))

pixels: ## how many drawn frames of each hard kind are solved, and that none without sky is; N frames of each, SEED
	$(GO) test ./solve -run TestPixelSurvey -pixels $(or $(N),16) -pixels.seed $(or $(SEED),1) -v -timeout 12h

passes: ## what each pass of the search is worth: frames that it alone solves, and its cost; N star lists of each field size, SEED
	$(GO) test ./solve/match -run 'TestPasses$$|TestGivingUp$$|TestPairs$$' -passes $(or $(N),60) -passes.nosky $(or $(N),60) -plates $(or $(N),60) -passes.seed $(or $(SEED),1) -v -timeout 12h

nosky: ## that none of N frames without sky of each of ten kinds, and of N star lists of each of five kinds, is solved; SEED
	$(GO) test ./solve -run 'PixelSurveyWithoutSky$$' -pixels.nosky $(or $(N),100) -pixels.seed $(or $(SEED),1) -v -timeout 12h
	$(GO) test ./solve/match -run 'TestSurveyWithoutSky$$' -survey.nosky $(or $(N),100) -survey.seed $(or $(SEED),1) -v -timeout 12h

cost: ## how processor time and memory grow with megapixels, stars and the catalogue's depth
	$(GO) test -count 1 -run 'TestCost$$' -v -timeout 1h ./solve ./solve/match ./solve/index -cost

catalogue: ## the bundled catalogue anew; TYCHO2 is the folder with the published files
	$(GO) run ./catalogs/compile -in "$(TYCHO2)" -out catalogs/tycho2.stars

manual: ## man pages and shell completions, into dist/manual
	$(GO) test ./cmd/polard -run TestManual -manual "$(CURDIR)/dist/manual"

RELEASE = dist/release
# Platform, architecture of the Debian package.
TARGETS = linux-amd64 linux-arm64 linux-armv7 windows-amd64 darwin-arm64

# One release's binaries: static, and the same bytes whoever builds them where.
$(RELEASE)/polard-%: FORCE
	@mkdir -p $(RELEASE)
	@os=$$(echo $* | cut -d- -f1); arch=$$(echo $* | cut -d- -f2); suffix=; \
	[ $$arch = armv7 ] && arch=arm; [ $$os = windows ] && suffix=.exe; \
	GOOS=$$os GOARCH=$$arch GOARM=7 CGO_ENABLED=0 $(GO) build -trimpath -buildvcs=false \
		-ldflags '$(LDFLAGS) -buildid=' -o $@$$suffix ./cmd/polard; \
	size=$$(stat -c %s $@$$suffix); echo "$@$$suffix: $$((size / 1000000)) MB"; \
	[ $$size -lt 45000000 ] || { echo "larger than 45 MB"; exit 1; }

release: manual $(TARGETS:%=$(RELEASE)/polard-%) ## binaries for all machines, Debian packages and checksums, in dist/release
	for a in amd64 arm64 armv7; do \
		deb=$$a; [ $$a = armv7 ] && deb=armhf; \
		cmd/polard/packaging/deb.sh $(RELEASE)/polard-linux-$$a $$deb $(VERSION) $(RELEASE)/polard_$(VERSION)_$$deb.deb dist/manual || exit 1; \
	done
	cd $(RELEASE) && echo $(VERSION) > VERSION && sha256sum VERSION polard* > SHA256SUMS && cat SHA256SUMS

reproducible: $(RELEASE)/polard-linux-amd64 ## build again elsewhere, with a cache of its own: the same bytes must come out
	@there=$$(mktemp -d) && cp -r go.mod go.sum Makefile catalogs cmd fits mountmodel solve web $$there && \
	GOCACHE=$$there/.cache $(MAKE) -s -C $$there $(RELEASE)/polard-linux-amd64 && \
	cmp $(RELEASE)/polard-linux-amd64 $$there/$(RELEASE)/polard-linux-amd64 && echo "the same, byte for byte"; \
	status=$$?; chmod -R u+w $$there; rm -rf $$there; exit $$status

package-check: ## install the Debian package here (as root), let it work, take it away again
	cmd/polard/packaging/check-deb.sh $(RELEASE)/polard_$(VERSION)_$$(dpkg --print-architecture).deb testdata/practice/adjust_000/f0.fits testdata/practice/adjust_000/f1.fits

golden: ## the golden files of the wire format anew, when it was changed on purpose
	$(GO) test ./web -run 'Golden|Schema' -update
	@for f in state message_state message_beat; do \
		sum=$$(sha256sum testdata/web/$$f.json | cut -d' ' -f1); \
		sed -i "s#^web/$$f.json\t[0-9a-f]*#web/$$f.json\t$$sum#" testdata/MANIFEST.tsv; \
	done

licences: ## the licences of everything that is linked in, into cmd/polard/licences.txt
	@{ \
		echo "polard is under the Apache License 2.0. It contains or links what follows."; \
		printf '\n==== the bundled catalogue, and its terms\n\n'; cat catalogs/PROVENANCE.md; \
		printf '\n==== series derived from ERFA\n\n'; sed -n '/^\/\//{s/^\/\/ \{0,1\}//;p};/^package/q' mountmodel/observed/earth_series.go; \
		printf '\n==== the bundled font\n\n'; cat web/assets/*OFL* 2>/dev/null; \
		$(GO) list -deps -f '{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}' ./cmd/polard | sort -u | \
		while read -r path version dir; do \
			printf '\n==== %s %s\n\n' "$$path" "$$version"; cat "$$dir"/LICENSE* "$$dir"/LICENCE* "$$dir"/COPYING* 2>/dev/null || true; \
		done; \
		printf '\n==== the Go standard library\n\n'; cat "$$($(GO) env GOROOT)/LICENSE"; \
	} > cmd/polard/licences.txt
	@grep -c '^====' cmd/polard/licences.txt
