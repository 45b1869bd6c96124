# SPDX-License-Identifier: GPL-3.0-or-later
# plumb: make deps demo    see it work
#        make deps check   see why it may be believed
VERSION   := $(shell sed -n 's/^\#define PL_VERSION "\(.*\)"/\1/p' lib/plumb.h)
SOVERSION := 0
PREFIX    ?= /usr/local
DESTDIR   ?=
CC        ?= cc
OPT       ?= -O3 -g
BUILD     ?= build
V         ?= 0
Q_0       := @
Q          = $(Q_$(V))

PKGS      := cfitsio zlib fftw3 libpng gsl cairo jansson glib-2.0
# Expanded only where used, after `deps` had its chance to install what pkg-config looks for.
PKG_CFLAGS = $(shell pkg-config --cflags $(PKGS) | sed 's/-I/-isystem /g')
PKG_LIBS   = $(shell pkg-config --libs $(PKGS))
CPPFLAGS  += -D_XOPEN_SOURCE=700
CFLAGS    ?=
PL_CFLAGS  = -std=c11 -Wall -Wextra -Werror -Wshadow -Wstrict-prototypes -Wmissing-prototypes -Wvla \
             -ffp-contract=off -fPIC -fvisibility=hidden -pthread $(OPT) $(SANITIZE) $(PKG_CFLAGS) $(CFLAGS)
PL_LIBS    = $(PKG_LIBS) -lm -pthread

LIB_SRC   := $(sort $(wildcard lib/*/*.c lib/*/*/*.c))
PUBLIC    := $(sort $(wildcard lib/plumb/*.h))
LIB_OBJ   := $(LIB_SRC:%.c=$(BUILD)/obj/%.o)
PROGRAMS  := $(sort $(patsubst tools/%.c,%,$(wildcard tools/plumb-*.c)))
BINS      := $(PROGRAMS:%=$(BUILD)/%)
SONAME    := libplumb.so.$(SOVERSION)
STATIC    := $(BUILD)/libplumb.a
SHARED    := $(BUILD)/libplumb.so.$(VERSION)
UNIT      := $(sort $(wildcard tests/unit/*.c))
MKFRAME   := $(BUILD)/tests/mkframe
YARDSTICK := $(BUILD)/tests/timeit $(BUILD)/tests/readonly $(BUILD)/tests/sepbench
CLOCKED   := $(BUILD)/clocked/plumb-donut
FUZZ      := frame profile scene turnlog nightlog watchlog marks positions
REPLAY    := $(FUZZ:%=$(BUILD)/tests/replay-%)

.PHONY: all deps deps-check deps-lint demo check bench lint format fuzz asan threads soak install uninstall \
        clean FORCE
.SECONDARY:
all: $(BINS) $(STATIC) $(SHARED)

deps:
	@sh tests/deps.sh build
deps-check:
	@sh tests/deps.sh check
deps-lint:
	@sh tests/deps.sh lint
# Also with -j: first what is missing, then what needs it.
$(LIB_OBJ) $(MKFRAME): | $(filter deps,$(MAKECMDGOALS))
$(UNIT:%.c=$(BUILD)/obj/%.o) $(YARDSTICK): | deps-check

# V=1 shows the commands. Objects are rebuilt when the compiler or its flags change, and when what
# they include does, whatever name BUILD went by when they were made.
$(BUILD)/flags: FORCE
	@mkdir -p $(BUILD)
	@echo '$(CC) $(CPPFLAGS) $(PL_CFLAGS)' | cmp -s - $@ || echo '$(CC) $(CPPFLAGS) $(PL_CFLAGS)' > $@
$(BUILD)/obj/%.o: %.c $(BUILD)/flags
	@mkdir -p $(@D)
	@[ $(V) = 1 ] || echo '  CC  $<'
	$(Q)$(CC) $(CPPFLAGS) $(PL_CFLAGS) -MMD -MP -MT '$$(BUILD)/$(@:$(BUILD)/%=%)' -c $< -o $@
$(STATIC): $(LIB_OBJ)
	@rm -f $@
	$(Q)$(AR) rcsD $@ $^
$(SHARED): $(LIB_OBJ)
	$(Q)$(CC) -shared -Wl,-soname,$(SONAME),-z,nodelete $(SANITIZE) $^ -o $@ $(PL_LIBS)
	$(Q)ln -sf $(@F) $(BUILD)/$(SONAME)
	$(Q)ln -sf $(@F) $(BUILD)/libplumb.so
$(BUILD)/plumb-%: $(BUILD)/obj/tools/plumb-%.o $(BUILD)/obj/tools/cli.o $(BUILD)/obj/tools/command.o \
                  $(STATIC)
	$(Q)$(CC) $(SANITIZE) $(filter %.o,$^) $(STATIC) -o $@ $(PL_LIBS)
$(BUILD)/plumb-watch $(BUILD)/faulty/plumb-watch: $(BUILD)/obj/tools/watchsay.o $(BUILD)/obj/tools/watchtake.o

# The frame maker shares no code with the library: it judges it.
$(MKFRAME): $(wildcard tests/bench/mkframe*.c) $(wildcard tests/bench/mkframe*.h)
	@mkdir -p $(@D)
	$(Q)$(CC) $(CPPFLAGS) -std=c11 -Wall -Wextra -Werror -O2 $(CFLAGS) $(filter %.c,$^) -o $@ \
	  $$(pkg-config --cflags --libs cfitsio) -lm -pthread

# What the speed is measured with: whole processes against CFITSIO and libsep alone.
$(YARDSTICK): $(BUILD)/tests/%: tests/bench/%.c
	@mkdir -p $(@D)
	$(Q)$(CC) $(CPPFLAGS) -std=c11 -Wall -Wextra -Werror -O2 $(CFLAGS) $< -o $@ \
	  $$(pkg-config --cflags --libs cfitsio) $(if $(filter %/sepbench,$@),-lsep -lm) -pthread

# The fuzz targets without a fuzzer: each runs over the files it is given.
$(REPLAY): $(BUILD)/tests/replay-%: tests/fuzz/%.c tests/fuzz/replay.c $(STATIC) $(BUILD)/flags
	@mkdir -p $(@D)
	$(Q)$(CC) $(CPPFLAGS) $(PL_CFLAGS) $(filter-out %/flags,$^) -o $@ $(PL_LIBS)

# The programs with a fault at one of their own allocations or calls, see tests/fault.c.
FAULTY    := $(PROGRAMS:%=$(BUILD)/faulty/%)
WRAPPED   := malloc calloc realloc strdup strndup open read pread write fsync fdatasync ftruncate rename close
$(BUILD)/faulty/plumb-%: $(BUILD)/obj/tools/plumb-%.o $(BUILD)/obj/tools/cli.o \
                         $(BUILD)/obj/tools/command.o $(BUILD)/obj/tests/fault.o $(STATIC)
	@mkdir -p $(@D)
	$(Q)$(CC) $(SANITIZE) $(WRAPPED:%=-Wl,--wrap=%) $(filter %.o,$^) $(STATIC) -o $@ $(PL_LIBS)

# Its Fourier transforms and its fits by the clock, see tests/bench/fftclock.c.
TIMED     := fftw_execute fftw_execute_dft fftw_execute_dft_r2c pl_wavefit_run
$(CLOCKED): $(BUILD)/clocked/%: $(BUILD)/obj/tools/%.o $(BUILD)/obj/tools/cli.o \
                                $(BUILD)/obj/tools/command.o $(BUILD)/obj/tests/bench/fftclock.o $(STATIC)
	@mkdir -p $(@D)
	$(Q)$(CC) $(SANITIZE) $(TIMED:%=-Wl,--wrap=%) $(filter %.o,$^) $(STATIC) -o $@ $(PL_LIBS)

# Faults sown on purpose, for the sanitizers.
$(BUILD)/tests/seeded: tests/seeded.c $(BUILD)/flags
	@mkdir -p $(@D)
	$(Q)$(CC) $(CPPFLAGS) $(PL_CFLAGS) -Wno-missing-prototypes $< -o $@ $$(pkg-config --cflags --libs criterion)

$(BUILD)/tests/sown: tests/sown.c $(BUILD)/flags
	@mkdir -p $(@D)
	$(Q)$(CC) $(CPPFLAGS) $(PL_CFLAGS) -O0 $< -o $@

$(BUILD)/tests/unit: $(UNIT:%.c=$(BUILD)/obj/%.o) $(STATIC)
	@mkdir -p $(@D)
	$(Q)$(CC) $(SANITIZE) $^ -o $@ $$(pkg-config --libs criterion) $(PL_LIBS)
$(BUILD)/obj/tests/unit/%.o: PL_CFLAGS += -Wno-missing-prototypes $(shell pkg-config --cflags criterion 2>/dev/null)

demo: all
	@sh samples/demo.sh $(BUILD)

check: deps-check all $(BUILD)/tests/unit $(MKFRAME) $(REPLAY) $(filter %field %turn %night %sim,$(FAULTY))
	@sh tests/check.sh $(BUILD)
bench: deps-check all $(MKFRAME) $(YARDSTICK) $(CLOCKED)
	@sh tests/bench/bench.sh $(BUILD)
	@$${PYTHON:-/usr/bin/python3} tests/reference/sweep.py $(BUILD)
lint: deps-lint
	@sh tests/lint.sh $(BUILD)
format:
	clang-format -i $$(git ls-files '*.[ch]')
asan: deps-check
	@sh tests/asan.sh $(BUILD)
threads: deps-check
	@sh tests/deps.sh threads
	@sh tests/threads.sh $(BUILD)
fuzz:
	@sh tests/fuzz/fuzz.sh $(BUILD)
soak: deps-check all $(MKFRAME) $(FAULTY)
	@sh tests/bench/soak.sh $(BUILD)
	@$${PYTHON:-/usr/bin/python3} tests/bench/watchsoak.py $(BUILD)
	@$${PYTHON:-/usr/bin/python3} tests/faults.py $(BUILD)

install: all
	install -d $(DESTDIR)$(PREFIX)/bin $(DESTDIR)$(PREFIX)/lib/pkgconfig \
	  $(DESTDIR)$(PREFIX)/include/plumb
	install -m 755 $(BINS) $(DESTDIR)$(PREFIX)/bin
	install -m 644 $(STATIC) $(DESTDIR)$(PREFIX)/lib
	install -m 755 $(SHARED) $(DESTDIR)$(PREFIX)/lib
	ln -sf $(notdir $(SHARED)) $(DESTDIR)$(PREFIX)/lib/$(SONAME)
	ln -sf $(SONAME) $(DESTDIR)$(PREFIX)/lib/libplumb.so
	install -m 644 lib/plumb.h $(DESTDIR)$(PREFIX)/include
	install -m 644 $(PUBLIC) $(DESTDIR)$(PREFIX)/include/plumb
	sed -e 's|@PREFIX@|$(PREFIX)|' -e 's|@VERSION@|$(VERSION)|' -e 's|@PKGS@|$(PKGS)|' \
	  lib/plumb.pc.in > $(DESTDIR)$(PREFIX)/lib/pkgconfig/plumb.pc
	for s in 1 5 7; do for m in man/*.$$s; do [ -e "$$m" ] || continue; \
	  install -d $(DESTDIR)$(PREFIX)/share/man/man$$s; \
	  install -m 644 "$$m" $(DESTDIR)$(PREFIX)/share/man/man$$s; done; done
	install -d $(DESTDIR)$(PREFIX)/share/bash-completion/completions
	for p in $(PROGRAMS); do \
	  install -m 644 tools/completion.bash $(DESTDIR)$(PREFIX)/share/bash-completion/completions/$$p; done
	install -d $(DESTDIR)$(PREFIX)/share/zsh/site-functions
	install -m 644 tools/completion.zsh $(DESTDIR)$(PREFIX)/share/zsh/site-functions/_plumb
	@[ -n "$(DESTDIR)" ] || ldconfig 2>/dev/null || true
uninstall:
	cd $(DESTDIR)$(PREFIX)/bin && rm -f $(PROGRAMS)
	cd $(DESTDIR)$(PREFIX)/lib && rm -f libplumb.a libplumb.so $(SONAME) $(notdir $(SHARED)) pkgconfig/plumb.pc
	cd $(DESTDIR)$(PREFIX)/include && rm -f plumb.h $(PUBLIC:lib/%=%) && rmdir plumb
	for s in 1 5 7; do for m in man/*.$$s; do \
	  rm -f "$(DESTDIR)$(PREFIX)/share/man/man$$s/$$(basename $$m)"; done; done
	cd $(DESTDIR)$(PREFIX)/share/bash-completion/completions && rm -f $(PROGRAMS)
	rm -f $(DESTDIR)$(PREFIX)/share/zsh/site-functions/_plumb
clean:
	rm -rf $(BUILD)
-include $(shell find $(BUILD)/obj -name '*.d' 2>/dev/null)
