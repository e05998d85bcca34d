/* A library to preload: it records what a process does to the files below one folder,
   counts it, and lets it fail when told to. See disktest.go for the control page, the
   format of the trace and what each kind means. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

enum { CREATE = 1, WRITE, TRUNCATE, SYNC, UNLINK, RENAME, SYNC_FOLDER, MARK, READ };
enum { DONE, KEPT, LOST };
enum { FILES = 1024, PATH = 256 };

struct control {
	char root[PATH];
	int64_t recording, ops, fail_at, fail_count, fault, kept, full, room, failed;
};

static struct control *c;
static int trace = -1;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static char names[FILES][PATH]; /* below root, by descriptor; empty if not watched */

__attribute__((constructor)) static void setup(void) {
	const char *page = getenv("DISKTEST_CONTROL"), *log = getenv("DISKTEST_TRACE");
	if (!page || !log) return;
	int fd = syscall(SYS_openat, AT_FDCWD, page, O_RDWR | O_CLOEXEC);
	if (fd < 0) return;
	void *at = mmap(NULL, sizeof *c, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
	syscall(SYS_close, fd);
	trace = syscall(SYS_openat, AT_FDCWD, log, O_WRONLY | O_APPEND | O_CLOEXEC);
	if (at != MAP_FAILED && trace >= 0) c = at;
}

/* below is the part of path below the watched folder; NULL if it is elsewhere. */
static const char *below(const char *path) {
	if (!c || !c->root[0]) return NULL;
	size_t n = strlen(c->root);
	if (strncmp(path, c->root, n) != 0) return NULL;
	return path[n] == '/' ? path + n + 1 : path[n] == 0 ? "." : NULL;
}

static const char *name_of(int fd) {
	return c && fd >= 0 && fd < FILES && names[fd][0] ? names[fd] : NULL;
}

static int is_shared_memory(const char *name) {
	size_t n = strlen(name);
	return n > 4 && strcmp(name + n - 4, "-shm") == 0;
}

static void record(int kind, int state, const char *name, int64_t offset, const void *data, uint32_t length) {
	if (!c->recording || is_shared_memory(name)) return;
	struct { uint32_t kind, state; int64_t offset; uint32_t name, data; } head = {kind, state, offset, strlen(name), length};
	struct iovec parts[] = {{&head, sizeof head}, {(void *)name, head.name}, {(void *)data, length}};
	if (syscall(SYS_writev, trace, parts, 3) < 0) abort();
}

/* faulty counts an operation and says whether it is one that fails. */
static int faulty(void) {
	int64_t n = ++c->ops;
	if (!c->fault || !c->fail_at || n < c->fail_at) return 0;
	if (c->fail_count >= 0 && n >= c->fail_at + c->fail_count) return 0;
	c->failed++;
	return 1;
}

static int64_t size_of(int fd) {
	struct stat s;
	return fstat(fd, &s) == 0 ? s.st_size : 0;
}

/* simple does an operation other than a write. */
#define SIMPLE(kind, name, offset, call) do { \
	pthread_mutex_lock(&lock); \
	int bad = faulty(); \
	long r = -1; \
	if (!bad || c->kept) r = (call); \
	if (bad || r >= 0) record(kind, !bad ? DONE : c->kept ? KEPT : LOST, name, offset, "", 0); \
	if (bad) { r = -1; errno = EIO; } \
	int e = errno; \
	pthread_mutex_unlock(&lock); \
	errno = e; \
	return r; \
} while (0)

static int opened(int fd, const char *name) {
	if (fd >= 0 && fd < FILES) snprintf(names[fd], PATH, "%s", name);
	return fd;
}

static long do_open(const char *path, int flags, mode_t mode) {
	return syscall(SYS_openat, AT_FDCWD, path, flags, mode);
}

static int create(const char *path, const char *name, int flags, mode_t mode) {
	SIMPLE(CREATE, name, 0, do_open(path, flags, mode));
}

static int any_open(const char *path, int flags, mode_t mode) {
	const char *name = below(path);
	if (!name) return do_open(path, flags, mode);
	if ((flags & O_CREAT) && syscall(SYS_faccessat, AT_FDCWD, path, F_OK) != 0) {
		if (c->full && c->room <= 0) { errno = ENOSPC; c->ops++; c->failed++; return -1; }
		return opened(create(path, name, flags, mode), name);
	}
	return opened(do_open(path, flags, mode), name);
}

#define OPEN(function) \
int function(const char *path, int flags, ...) { \
	mode_t mode = 0; \
	if (flags & O_CREAT) { va_list a; va_start(a, flags); mode = va_arg(a, mode_t); va_end(a); } \
	return any_open(path, flags, mode); \
}
OPEN(open)
OPEN(open64)

int close(int fd) {
	if (fd >= 0 && fd < FILES) names[fd][0] = 0;
	return syscall(SYS_close, fd);
}

/* room_for is how much of a write fits on the disk. */
static size_t room_for(int fd, size_t n, int64_t at) {
	if (!c->full) return n;
	int64_t grows = at + (int64_t)n - size_of(fd);
	if (grows <= 0) return n;
	int64_t fits = c->room >= grows ? (int64_t)n : (int64_t)n - (grows - c->room);
	if (fits < 0) fits = 0;
	c->room -= grows < c->room ? grows : c->room;
	return fits;
}

static ssize_t any_write(int fd, const void *data, size_t n, int64_t at) {
	const char *name = name_of(fd);
	if (!name) return at < 0 ? syscall(SYS_write, fd, data, n) : syscall(SYS_pwrite64, fd, data, n, at);
	pthread_mutex_lock(&lock);
	if (at < 0) at = lseek(fd, 0, SEEK_CUR);
	int bad = faulty();
	ssize_t r = -1;
	int e = EIO;
	size_t fits = room_for(fd, n, at);
	if (bad && c->fault == 2) { fits = fits < (n + 1) / 2 ? fits : (n + 1) / 2; bad = 0; }
	if (bad && !c->kept) {
		record(WRITE, LOST, name, at, "", 0);
	} else if (fits == 0 && n > 0) {
		e = ENOSPC;
		c->failed++;
	} else {
		r = syscall(SYS_pwrite64, fd, data, fits, at);
		e = errno;
		if (r >= 0) record(WRITE, bad ? KEPT : DONE, name, at, data, r);
		if (bad) { r = -1; e = EIO; }
	}
	pthread_mutex_unlock(&lock);
	errno = e;
	return r;
}

ssize_t write(int fd, const void *data, size_t n) { return any_write(fd, data, n, -1); }
ssize_t pwrite(int fd, const void *data, size_t n, off_t at) { return any_write(fd, data, n, at); }
ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) { return any_write(fd, data, n, at); }

static ssize_t any_read(int fd, void *data, size_t n, int64_t at) {
	const char *name = name_of(fd);
	if (!name || is_shared_memory(name)) return syscall(SYS_pread64, fd, data, n, at);
	pthread_mutex_lock(&lock);
	int bad = faulty() && c->fault == 1;
	pthread_mutex_unlock(&lock);
	if (bad) { errno = EIO; return -1; }
	return syscall(SYS_pread64, fd, data, n, at);
}

ssize_t pread(int fd, void *data, size_t n, off_t at) { return any_read(fd, data, n, at); }
ssize_t pread64(int fd, void *data, size_t n, off64_t at) { return any_read(fd, data, n, at); }

static int any_truncate(int fd, const char *name, int64_t size) {
	if (c->full && size_of(fd) > size) c->room += size_of(fd) - size;
	SIMPLE(TRUNCATE, name, size, syscall(SYS_ftruncate, fd, size));
}

int ftruncate(int fd, off_t size) {
	const char *name = name_of(fd);
	return name ? any_truncate(fd, name, size) : syscall(SYS_ftruncate, fd, size);
}

int ftruncate64(int fd, off64_t size) { return ftruncate(fd, size); }

static int any_sync(int fd, const char *name) {
	struct stat s;
	int kind = fstat(fd, &s) == 0 && S_ISDIR(s.st_mode) ? SYNC_FOLDER : SYNC;
	SIMPLE(kind, name, 0, 0); /* nothing here outlives the machine */
}

int fsync(int fd) {
	const char *name = name_of(fd);
	return name ? any_sync(fd, name) : syscall(SYS_fsync, fd);
}

int fdatasync(int fd) {
	const char *name = name_of(fd);
	return name ? any_sync(fd, name) : syscall(SYS_fdatasync, fd);
}

static int any_unlink(const char *path, const char *name) {
	struct stat s;
	if (c->full && stat(path, &s) == 0) c->room += s.st_size;
	SIMPLE(UNLINK, name, 0, syscall(SYS_unlinkat, AT_FDCWD, path, 0));
}

int unlink(const char *path) {
	const char *name = below(path);
	return name ? any_unlink(path, name) : syscall(SYS_unlinkat, AT_FDCWD, path, 0);
}
