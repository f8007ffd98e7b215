/*
 * Loaded before the program's libraries (LD_PRELOAD): makes one system call fail.
 *
 * Every call below a watched folder has a key: label|call|path in the folder|k-th time. Random
 * ids in paths (six or more hexadecimal digits in a row) are written as '#', since they differ
 * from run to run. Calls of several threads come in another order each time, but the set of keys
 * stays, so a key names the same moment in every run.
 *
 * failing_watch("label=/folder:label=/folder")    what is watched
 * failing_log(path)                               append the key of every call to this file
 * failing_arm(key, action, forever)               what happens at that key: an error number, or
 *                                                 -1 a short count, -2 a count of nothing,
 *                                                 -3 the process is killed before the call;
 *                                                 `forever`: from there on, everything below
 *                                                 that label
 * failing_hits()                                  how often it struck
 * failing_unreadable(name, from, to)              reads of the file of this name that touch
 *                                                 these bytes fail with EIO, for ever
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

#define ROOTS 8
#define KEYS 16384
#define KEY (PATH_MAX + 128)
#define SHORT (-1)
#define NOTHING (-2)
#define DIE (-3)

static struct { char label[32]; char folder[PATH_MAX]; size_t length; } roots[ROOTS];
static int root_count;
static struct { char *key; int count; } seen[KEYS];
static pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;
static int log_fd = -1;
static char armed_key[KEY];
static char armed_label[32];
static int armed_action, armed_forever, struck;
static char bad_name[NAME_MAX + 1];
static long bad_from, bad_to;

static int raw_open(const char *path, int flags) {
    return (int)syscall(SYS_openat, AT_FDCWD, path, flags, 0644);
}

void failing_watch(const char *list) {
    root_count = 0;
    while (*list && root_count < ROOTS) {
        const char *equals = strchr(list, '='), *end = strchr(list, ':');
        if (!end) end = list + strlen(list);
        if (!equals || equals > end) return;
        snprintf(roots[root_count].label, 32, "%.*s", (int)(equals - list), list);
        snprintf(roots[root_count].folder, PATH_MAX, "%.*s", (int)(end - equals - 1), equals + 1);
        roots[root_count].length = strlen(roots[root_count].folder);
        root_count++;
        list = *end ? end + 1 : end;
    }
}

void failing_log(const char *path) {
    log_fd = raw_open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC);
}

void failing_arm(const char *key, int action, int forever) {
    const char *bar = strchr(key, '|');
    snprintf(armed_key, KEY, "%s", key);
    snprintf(armed_label, 32, "%.*s", bar ? (int)(bar - key) : 0, key);
    armed_action = action;
    armed_forever = forever;
    struck = 0;
}

int failing_hits(void) { return struck; }

void failing_unreadable(const char *name, long from, long to) {
    snprintf(bad_name, sizeof bad_name, "%s", name);
    bad_from = from;
    bad_to = to;
}

__attribute__((constructor)) static void from_environment(void) {
    const char *list = getenv("FAILING_WATCH"), *bad = getenv("FAILING_UNREADABLE");
    if (list) failing_watch(list);
    if (bad) {
        char name[NAME_MAX + 1];
        long from, to;
        if (sscanf(bad, "%255[^:]:%ld:%ld", name, &from, &to) == 3) failing_unreadable(name, from, to);
    }
}

/* The path of a descriptor, or of a name below one; false when it has none. */
static int path_of(int fd, const char *name, char *out) {
    char link[64], base[PATH_MAX];
    ssize_t length;
    if (name && name[0] == '/') {
        snprintf(out, PATH_MAX, "%s", name);
        return 1;
    }
    if (fd == AT_FDCWD) snprintf(link, sizeof link, "/proc/self/cwd");
    else snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    length = syscall(SYS_readlinkat, AT_FDCWD, link, base, sizeof base - 1);
    if (length <= 0 || base[0] != '/') return 0;
    base[length] = 0;
    if (name) {
        if ((size_t)snprintf(out, PATH_MAX, "%s/%s", base, name) >= PATH_MAX) return 0;
    } else snprintf(out, PATH_MAX, "%s", base);
    return 1;
}

static int hex(char c) { return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'); }

static void without_ids(const char *from, char *to) {
    while (*from) {
        int run = 0;
        while (hex(from[run])) run++;
        if (run >= 6) { *to++ = '#'; from += run; }
        else if (run) { memcpy(to, from, run); to += run; from += run; }
        else *to++ = *from++;
    }
    *to = 0;
}

/* What is to happen to this call: 0 nothing, else an error number or one of the actions. */
static int verdict(const char *call, int fd, const char *name) {
    char path[PATH_MAX], plain[PATH_MAX], key[KEY];
    unsigned long hash = 5381;
    int root, count, action = 0;
    if (!root_count) return 0;
    int kept = errno;
    if (!path_of(fd, name, path)) { errno = kept; return 0; }
    for (root = 0; root < root_count; root++)
        if (!strncmp(path, roots[root].folder, roots[root].length) &&
            (path[roots[root].length] == '/' || !path[roots[root].length]))
            break;
    if (root == root_count) { errno = kept; return 0; }
    without_ids(path + roots[root].length, plain);
    snprintf(key, KEY, "%s|%s|%s", roots[root].label, call, plain);
    for (const char *c = key; *c; c++) hash = hash * 33 + (unsigned char)*c;
    pthread_mutex_lock(&mutex);
    unsigned long place = hash % KEYS;
    while (seen[place].key && strcmp(seen[place].key, key)) place = (place + 1) % KEYS;
    if (!seen[place].key) seen[place].key = strdup(key);
    count = ++seen[place].count;
    snprintf(key + strlen(key), 16, "|%d", count);
    if (armed_key[0] && ((struck && armed_forever && !strcmp(roots[root].label, armed_label)) ||
                         !strcmp(key, armed_key))) {
        struck++;
        action = armed_action;
    }
    if (log_fd >= 0) {
        strcat(key, "\n");
        if (syscall(SYS_write, log_fd, key, strlen(key)) < 0) abort();
    }
    pthread_mutex_unlock(&mutex);
    if (action == DIE) syscall(SYS_kill, getpid(), SIGKILL);
    errno = kept;
    return action;
}

static int bad_spot(int fd, long offset, size_t length) {
    char path[PATH_MAX];
    const char *slash;
    if (!bad_name[0] || offset + (long)length <= bad_from || offset >= bad_to) return 0;
    if (!path_of(fd, NULL, path)) return 0;
    slash = strrchr(path, '/');
    return slash && !strcmp(slash + 1, bad_name);
}

/* A count shortened to about its half, whole blocks where the transfer is direct. */
static size_t shorter(int fd, size_t length) {
    size_t half = length / 2;
    int flags = (int)syscall(SYS_fcntl, fd, F_GETFL);
    if (length >= 8192) return half / 4096 * 4096;
    if (flags >= 0 && (flags & O_DIRECT)) return length;
    return half ? half : length;
}

#define REAL(type, name, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

#define FAIL(call, fd, path) \
    do { \
        int action_ = verdict(call, fd, path); \
        if (action_ > 0) { errno = action_; return -1; } \
    } while (0)

#define COUNTED(call) \
    int action = verdict(call, fd, NULL); \
    if (action > 0) { errno = action; return -1; } \
    if (action == NOTHING) return 0; \
    if (action == SHORT) length = shorter(fd, length)

#define OPEN(symbol) \
    int symbol(const char *path, int flags, ...) { \
        REAL(int, #symbol, const char *, int, ...); \
        va_list more; va_start(more, flags); int mode = va_arg(more, int); va_end(more); \
        FAIL("open", AT_FDCWD, path); \
        return real(path, flags, mode); \
    }
OPEN(open)
OPEN(open64)

#define OPENAT(symbol) \
    int symbol(int folder, const char *path, int flags, ...) { \
        REAL(int, #symbol, int, const char *, int, ...); \
        va_list more; va_start(more, flags); int mode = va_arg(more, int); va_end(more); \
        FAIL("open", folder, path); \
        return real(folder, path, flags, mode); \
    }
OPENAT(openat)
OPENAT(openat64)

ssize_t read(int fd, void *memory, size_t length) {
    REAL(ssize_t, "read", int, void *, size_t);
    COUNTED("read");
    return real(fd, memory, length);
}

ssize_t write(int fd, const void *memory, size_t length) {
    REAL(ssize_t, "write", int, const void *, size_t);
    COUNTED("write");
    return real(fd, memory, length);
}

#define PREAD(symbol) \
    ssize_t symbol(int fd, void *memory, size_t length, off_t offset) { \
        REAL(ssize_t, #symbol, int, void *, size_t, off_t); \
        if (bad_spot(fd, offset, length)) { errno = EIO; return -1; } \
        COUNTED("pread"); \
        return real(fd, memory, length, offset); \
    }
PREAD(pread)
PREAD(pread64)

#define PWRITE(symbol) \
    ssize_t symbol(int fd, const void *memory, size_t length, off_t offset) { \
        REAL(ssize_t, #symbol, int, const void *, size_t, off_t); \
        COUNTED("pwrite"); \
        return real(fd, memory, length, offset); \
    }
PWRITE(pwrite)
PWRITE(pwrite64)

#define PREADV(symbol, with_flags, ...) \
    ssize_t symbol(int fd, const struct iovec *vector, int count, off_t offset __VA_ARGS__) { \
        REAL(ssize_t, #symbol, int, const struct iovec *, int, off_t __VA_ARGS__); \
        struct iovec one = vector[0]; \
        size_t length = one.iov_len; \
        if (bad_spot(fd, offset, length)) { errno = EIO; return -1; } \
        COUNTED("preadv"); \
        if (count != 1) return real(fd, vector, count, offset with_flags); \
        one.iov_len = length; \
        return real(fd, &one, 1, offset with_flags); \
    }
#define NO_FLAGS
#define FLAGS , flags
PREADV(preadv, NO_FLAGS)
PREADV(preadv64, NO_FLAGS)
PREADV(preadv2, FLAGS, , int flags)
PREADV(preadv64v2, FLAGS, , int flags)

#define ON_FD(symbol, call) \
    int symbol(int fd) { \
        REAL(int, #symbol, int); \
        FAIL(call, fd, NULL); \
        return real(fd); \
    }
ON_FD(fsync, "fsync")
ON_FD(fdatasync, "fdatasync")
ON_FD(syncfs, "syncfs")

int renameat2(int from, const char *old, int to, const char *new, unsigned flags) {
    REAL(int, "renameat2", int, const char *, int, const char *, unsigned);
    FAIL("renameat2", to, new);
    return real(from, old, to, new, flags);
}

int renameat(int from, const char *old, int to, const char *new) {
    REAL(int, "renameat", int, const char *, int, const char *);
    FAIL("rename", to, new);
    return real(from, old, to, new);
}

int rename(const char *old, const char *new) {
    REAL(int, "rename", const char *, const char *);
    FAIL("rename", AT_FDCWD, new);
    return real(old, new);
}

int linkat(int from, const char *old, int to, const char *new, int flags) {
    REAL(int, "linkat", int, const char *, int, const char *, int);
    FAIL("linkat", to, new);
    return real(from, old, to, new, flags);
}

int mkdirat(int folder, const char *path, mode_t mode) {
    REAL(int, "mkdirat", int, const char *, mode_t);
    FAIL("mkdir", folder, path);
    return real(folder, path, mode);
}

int mkdir(const char *path, mode_t mode) {
    REAL(int, "mkdir", const char *, mode_t);
    FAIL("mkdir", AT_FDCWD, path);
    return real(path, mode);
}

int utimensat(int folder, const char *path, const struct timespec times[2], int flags) {
    REAL(int, "utimensat", int, const char *, const struct timespec *, int);
    FAIL("utimens", folder, path);
    return real(folder, path, times, flags);
}

int futimens(int fd, const struct timespec times[2]) {
    REAL(int, "futimens", int, const struct timespec *);
    FAIL("utimens", fd, NULL);
    return real(fd, times);
}

int unlinkat(int folder, const char *path, int flags) {
    REAL(int, "unlinkat", int, const char *, int);
    FAIL("unlink", folder, path);
    return real(folder, path, flags);
}

int unlink(const char *path) {
    REAL(int, "unlink", const char *);
    FAIL("unlink", AT_FDCWD, path);
    return real(path);
}

#define FALLOCATE(symbol) \
    int symbol(int fd, int mode, off_t offset, off_t length) { \
        REAL(int, #symbol, int, int, off_t, off_t); \
        FAIL("fallocate", fd, NULL); \
        return real(fd, mode, offset, length); \
    }
FALLOCATE(fallocate)
FALLOCATE(fallocate64)

#define FTRUNCATE(symbol) \
    int symbol(int fd, off_t length) { \
        REAL(int, #symbol, int, off_t); \
        FAIL("ftruncate", fd, NULL); \
        return real(fd, length); \
    }
FTRUNCATE(ftruncate)
FTRUNCATE(ftruncate64)
