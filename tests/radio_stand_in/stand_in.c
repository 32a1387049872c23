/* A stand-in for the driver library of RTL-SDR receivers, for tests: it makes samples, keeps the driver's return
 * codes, buffer rules, cancelling and closing, and fails on command.
 *
 * Commands come through stand_in_set(key, value), or from the text file that RADIO_STAND_IN_CONTROL names, one
 * "key value" a line, which is read again whenever it has changed. Keys are listed at `struct knob knobs`.
 *
 * The codes follow what the real driver was seen and documented to return: -1 refused, -2 nothing running to cancel
 * or the same correction again, -3 no access or unknown serial, -4 gone, -5 gone while reading, -6 busy, -22 no such rate.
 */
#include <errno.h>
#include <math.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#define RECEIVERS 4
#define COUNTER_MODULUS 65521 /* a prime: no loss of whole blocks goes unseen */
#define FULL_SCALE 127.5

typedef void (*arrived_t)(unsigned char *content, uint32_t size, void *context);
enum source { COUNTER, NOISE, FROM_FILE };
enum reading { IDLE, RUNNING, CANCELLING };

typedef struct receiver {
	int index, is_open, bias_tee, direct, ppm, gain_tenth_db, manual;
	uint32_t rate, centre;
	volatile enum reading reading;
	uint64_t produced; /* samples made since the receiver was opened, lost ones included */
	double phase;
} receiver;

/* What a test may set. A delay counts from the start of each read, in milliseconds; -1 is never. */
static double present = 1;          /* receivers on the bus */
static double busy = 0;             /* open returns -6 */
static double no_access = 0;        /* open returns -3 */
static double open_hangs_ms = 0;    /* open takes this long */
static double unplug_after_ms = -1; /* the receiver goes away */
static double unplug_code = -5;     /* what the read returns then; the real one may say 0 */
static double stall_after_ms = -1;  /* no block comes any more */
static double wedge_after_ms = -1;  /* the same, and cancelling does not help until it is -1 again */
static double short_every = 0;      /* every so many blocks is cut short by an odd number of bytes, none lost */
static double drop_every = 0;       /* every so many blocks one is lost without a word */
static double tune_fails = 0;       /* tuning returns -1 */
static double gain_fails = 0;       /* setting a gain returns -1 */
static double source = COUNTER;     /* 0 counter, 1 noise and a carrier, 2 the bytes of a file, over and over */
static double pace = 1;             /* times real time; 0 is as fast as it goes */
static double overflows = 1;        /* samples are lost where every buffer is full; else they wait */
static double noise_db = -60;       /* noise power at 0 dB of gain before the converter, dBFS */
static double carrier_db = -200;    /* the carrier's power at 0 dB of gain, dBFS */
static double carrier_hz = 100e6;   /* where it stands on the air */
static double reference_ppm = 0;    /* how fast the receiver's reference runs */

static struct knob { const char *key; double *value; } knobs[] = {
	{"present", &present}, {"busy", &busy}, {"no_access", &no_access}, {"open_hangs_ms", &open_hangs_ms},
	{"unplug_after_ms", &unplug_after_ms}, {"unplug_code", &unplug_code}, {"stall_after_ms", &stall_after_ms},
	{"wedge_after_ms", &wedge_after_ms}, {"short_every", &short_every}, {"drop_every", &drop_every},
	{"tune_fails", &tune_fails}, {"gain_fails", &gain_fails}, {"source", &source}, {"pace", &pace}, {"overflows", &overflows},
	{"noise_db", &noise_db}, {"carrier_db", &carrier_db}, {"carrier_hz", &carrier_hz},
	{"reference_ppm", &reference_ppm},
};
#define KNOBS (sizeof knobs / sizeof knobs[0])
static double usual[KNOBS];

/* What a test may ask. */
static long opens, closes, closed_uses, tunes, reads, refused_cancels, lost_samples;
static struct { const char *key; long *value; } counts[] = {
	{"opens", &opens}, {"closes", &closes}, {"closed_uses", &closed_uses}, {"tunes", &tunes}, {"reads", &reads},
	{"refused_cancels", &refused_cancels}, {"lost_samples", &lost_samples},
};

static receiver receivers[RECEIVERS];
static char serials[RECEIVERS][64] = {"00000001", "ridge-2", "ridge-3", "ridge-4"};
static char file_path[4096];
static unsigned char *file_bytes;
static size_t file_size;
static uint64_t random_state = 88172645463325252ull;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static pthread_cond_t changed = PTHREAD_COND_INITIALIZER;

static const int gains[] = {0, 9, 14, 27, 37, 77, 87, 125, 144, 157, 166, 197, 207, 229, 254,
	280, 297, 328, 338, 364, 372, 386, 402, 421, 434, 439, 445, 480, 496};
#define GAINS (int)(sizeof gains / sizeof gains[0])

static double now_s(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return t.tv_sec + 1e-9 * t.tv_nsec;
}

static void wait_s(double seconds)
{
	if (seconds <= 0) return;
	struct timespec t = {(time_t)seconds, (long)((seconds - (time_t)seconds) * 1e9)};
	while (nanosleep(&t, &t) && errno == EINTR) { }
}

int stand_in_set(const char *key, double value)
{
	for (size_t i = 0; i < KNOBS; i++)
		if (!strcmp(knobs[i].key, key)) { *knobs[i].value = value; return 0; }
	return -1;
}

int stand_in_set_file(const char *path)
{
	FILE *f = fopen(path, "rb");
	if (!f) return -1;
	fseek(f, 0, SEEK_END);
	size_t size = (size_t)ftell(f);
	rewind(f);
	unsigned char *bytes = malloc(size ? size : 1);
	int failed = !bytes || fread(bytes, 1, size, f) != size;
	fclose(f);
	if (failed) { free(bytes); return -1; }
	free(file_bytes);
	file_bytes = bytes;
	file_size = size & ~(size_t)1;
	snprintf(file_path, sizeof file_path, "%s", path);
	source = FROM_FILE;
	return 0;
}

int stand_in_set_serial(int index, const char *serial)
{
	if (index < 0 || index >= RECEIVERS) return -1;
	snprintf(serials[index], sizeof serials[index], "%s", serial);
	return 0;
}

long stand_in_count(const char *key)
{
	for (size_t i = 0; i < sizeof counts / sizeof counts[0]; i++)
		if (!strcmp(counts[i].key, key)) return *counts[i].value;
	return -1;
}

/* One figure of a receiver as it was last set, open or not. */
double stand_in_state(int index, const char *key)
{
	const receiver *r = &receivers[index];
	if (!strcmp(key, "bias_tee")) return r->bias_tee;
	if (!strcmp(key, "direct")) return r->direct;
	if (!strcmp(key, "ppm")) return r->ppm;
	if (!strcmp(key, "gain_tenth_db")) return r->gain_tenth_db;
	if (!strcmp(key, "manual")) return r->manual;
	if (!strcmp(key, "centre_hz")) return r->centre;
	if (!strcmp(key, "open")) return r->is_open;
	return -1;
}

static void read_control(void)
{
	static struct timespec seen;
	struct stat facts;
	const char *path = getenv("RADIO_STAND_IN_CONTROL");
	if (!path || stat(path, &facts)) return;
	if (facts.st_mtim.tv_sec == seen.tv_sec && facts.st_mtim.tv_nsec == seen.tv_nsec) return;
	seen = facts.st_mtim;
	FILE *f = fopen(path, "r");
	if (!f) return;
	char line[4200], key[64], value[4096];
	while (fgets(line, sizeof line, f)) {
		if (sscanf(line, "%63s %4095[^\n]", key, value) != 2) continue;
		if (!strcmp(key, "file")) { if (strcmp(value, file_path)) stand_in_set_file(value); }
		else if (!strcmp(key, "serial")) stand_in_set_serial(0, value);
		else stand_in_set(key, atof(value));
	}
	fclose(f);
}

void stand_in_reset(void)
{
	static int kept;
	for (size_t i = 0; i < KNOBS; i++) {
		if (!kept) usual[i] = *knobs[i].value;
		*knobs[i].value = usual[i];
	}
	kept = 1;
	opens = closes = closed_uses = tunes = reads = refused_cancels = lost_samples = 0;
	memset(receivers, 0, sizeof receivers);
	static const char *names[RECEIVERS] = {"00000001", "ridge-2", "ridge-3", "ridge-4"};
	for (int i = 0; i < RECEIVERS; i++) stand_in_set_serial(i, names[i]);
	random_state = 88172645463325252ull;
}

__attribute__((constructor)) static void at_load(void) { stand_in_reset(); }

/* 1 where the receiver may be used. Receivers are never freed, so that a closed one in use is seen, not fatal. */
static int is_usable(receiver *r)
{
	if (r && r->is_open) return 1;
	closed_uses++;
	return 0;
}

/* 0, or the code for a receiver that is closed or gone. */
static int code_of(receiver *r)
{
	if (!is_usable(r)) return -99;
	read_control();
	return r->index < present ? 0 : -4;
}

/* --- the driver's own functions ------------------------------------------------------------------ */

uint32_t rtlsdr_get_device_count(void) { read_control(); return (uint32_t)present; }

const char *rtlsdr_get_device_name(uint32_t index) { return index < present ? "stand-in receiver" : ""; }

int rtlsdr_get_device_usb_strings(uint32_t index, char *maker, char *product, char *serial)
{
	if (index >= present || index >= RECEIVERS) return -1;
	if (maker) strcpy(maker, "stand-in");
	if (product) strcpy(product, "receiver");
	if (serial) strcpy(serial, serials[index]);
	return 0;
}

int rtlsdr_get_index_by_serial(const char *serial)
{
	if (!serial) return -1;
	if (!rtlsdr_get_device_count()) return -2;
	for (int i = 0; i < present && i < RECEIVERS; i++)
		if (!strcmp(serials[i], serial)) return i;
	return -3;
}

int rtlsdr_open(receiver **out, uint32_t index)
{
	read_control();
	wait_s(open_hangs_ms / 1e3);
	if (index >= present || index >= RECEIVERS) return -1;
	if (no_access) return -3;
	receiver *r = &receivers[index];
	if (busy || r->is_open) return -6;
	memset(r, 0, sizeof *r);
	r->index = (int)index;
	r->is_open = 1;
	opens++;
	*out = r;
	return 0;
}

int rtlsdr_close(receiver *r)
{
	if (!is_usable(r)) return -1;
	pthread_mutex_lock(&lock); /* the real one waits for its reader, too */
	while (r->reading != IDLE) pthread_cond_wait(&changed, &lock);
	r->is_open = 0;
	closes++;
	pthread_mutex_unlock(&lock);
	return 0;
}

int rtlsdr_set_center_freq(receiver *r, uint32_t centre)
{
	int code = code_of(r);
	if (code) return code;
	tunes++;
	if (tune_fails) return -1;
	r->centre = centre;
	return 0;
}

uint32_t rtlsdr_get_center_freq(receiver *r) { return is_usable(r) ? r->centre : 0; }

int rtlsdr_set_freq_correction(receiver *r, int ppm)
{
	int code = code_of(r);
	if (code) return code;
	if (r->ppm == ppm) return -2;
	r->ppm = ppm;
	return 0;
}

int rtlsdr_get_freq_correction(receiver *r) { return is_usable(r) ? r->ppm : 0; }
int rtlsdr_get_tuner_type(receiver *r) { return is_usable(r) ? 5 : 0; }

int rtlsdr_get_tuner_gains(receiver *r, int *out)
{
	if (!is_usable(r)) return -1;
	if (out) memcpy(out, gains, sizeof gains);
	return GAINS;
}

int rtlsdr_set_tuner_gain(receiver *r, int tenth_db)
{
	int code = code_of(r);
	if (code || gain_fails) return code ? code : -1;
	r->gain_tenth_db = tenth_db;
	return 0;
}

int rtlsdr_get_tuner_gain(receiver *r) { return is_usable(r) ? r->gain_tenth_db : 0; }

int rtlsdr_set_tuner_gain_mode(receiver *r, int manual)
{
	int code = code_of(r);
	if (!code) r->manual = manual;
	return code;
}

int rtlsdr_set_direct_sampling(receiver *r, int branch)
{
	int code = code_of(r);
	if (!code) r->direct = branch;
	return code;
}

int rtlsdr_set_bias_tee(receiver *r, int on)
{
	int code = code_of(r);
	if (!code) r->bias_tee = on;
	return code;
}

int rtlsdr_set_sample_rate(receiver *r, uint32_t rate)
{
	int code = code_of(r);
	if (code) return code;
	if (!((rate > 225000 && rate <= 300000) || (rate > 900000 && rate <= 3200000))) return -22;
	r->rate = rate;
	return 0;
}

uint32_t rtlsdr_get_sample_rate(receiver *r) { return is_usable(r) ? r->rate : 0; }

/* What pyrtlsdr looks for when it is imported and the watch does not use. */
#define UNUSED(name) int name(receiver *r) { return code_of(r); }
UNUSED(rtlsdr_set_agc_mode)
UNUSED(rtlsdr_set_dithering)
UNUSED(rtlsdr_set_gpio_output)
UNUSED(rtlsdr_set_gpio_input)
UNUSED(rtlsdr_set_gpio_bit)
UNUSED(rtlsdr_get_gpio_bit)
UNUSED(rtlsdr_set_gpio_byte)
UNUSED(rtlsdr_get_gpio_byte)
UNUSED(rtlsdr_set_gpio_status)
UNUSED(rtlsdr_reset_buffer)
UNUSED(rtlsdr_read_sync)
UNUSED(rtlsdr_wait_async)
UNUSED(rtlsdr_set_xtal_freq)
UNUSED(rtlsdr_get_xtal_freq)
UNUSED(rtlsdr_set_testmode)

/* Of unit variance, near enough to Gaussian: the sum of twelve even numbers. */
static double normal(void)
{
	double sum = -6;
	for (int i = 0; i < 3; i++) {
		random_state ^= random_state << 13;
		random_state ^= random_state >> 7;
		random_state ^= random_state << 17;
		for (int k = 0; k < 4; k++) sum += (double)((random_state >> (16 * k)) & 0xffff) / 65536.0;
	}
	return sum;
}

static unsigned char converted(double value)
{
	double code = floor(value * FULL_SCALE + FULL_SCALE + 0.5);
	return code < 0 ? 0 : code > 255 ? 255 : (unsigned char)code;
}

static void make_samples(receiver *r, unsigned char *out, size_t samples)
{
	uint64_t first = r->produced;
	r->produced += samples;
	if (source == FROM_FILE && file_size) {
		for (size_t i = 0; i < samples; i++) memcpy(out + 2 * i, file_bytes + 2 * (first + i) % file_size, 2);
		return;
	}
	if (source == COUNTER) {
		for (size_t i = 0; i < samples; i++) {
			uint32_t count = (uint32_t)((first + i) % COUNTER_MODULUS);
			out[2 * i] = (unsigned char)count;
			out[2 * i + 1] = (unsigned char)(count >> 8);
		}
		return;
	}
	double gain_db = r->gain_tenth_db / 10.0;
	double noise = pow(10, (noise_db + gain_db) / 20) / sqrt(2.0);
	double carrier = pow(10, (carrier_db + gain_db) / 20);
	/* A fast reference tunes too high and samples too often: what is on the air shows too low by its whole share. */
	double fast = 1 + 1e-6 * reference_ppm;
	double turn = 2 * M_PI * (carrier_hz - r->centre * fast) / (r->rate * fast);
	for (size_t i = 0; i < samples; i++) {
		r->phase = fmod(r->phase + turn, 2 * M_PI);
		out[2 * i] = converted(carrier * cos(r->phase) + noise * normal());
		out[2 * i + 1] = converted(carrier * sin(r->phase) + noise * normal());
	}
}

int rtlsdr_read_async(receiver *r, arrived_t arrived, void *context, uint32_t buffers, uint32_t size)
{
	int code = code_of(r);
	if (code) return code;
	if (r->reading != IDLE) return -2;
	if (!buffers) buffers = 15;
	if (!size || size % 512) size = 262144; /* as the real driver does, without a word */
	unsigned char *content = malloc(size);
	if (!content) return -1;
	reads++;
	r->reading = RUNNING;
	double began = now_s(), due = began, block_s = size / 2.0 / r->rate;
	uint64_t blocks = 0;
	while (r->reading == RUNNING) {
		read_control();
		double passed_ms = (now_s() - began) * 1e3;
		int gone = r->index >= present || (unplug_after_ms >= 0 && passed_ms >= unplug_after_ms);
		if (gone) { code = (int)unplug_code; break; }
		if ((stall_after_ms >= 0 && passed_ms >= stall_after_ms)
			|| (wedge_after_ms >= 0 && passed_ms >= wedge_after_ms)) {
			wait_s(0.005);
			continue;
		}
		if (pace > 0) {
			due += block_s / pace;
			double late_s = now_s() - due;
			if (overflows && late_s > buffers * block_s / pace) { /* every buffer is full: the receiver overflows */
				uint64_t lost = (uint64_t)((late_s - buffers * block_s / pace) * r->rate * pace);
				r->produced += lost;
				lost_samples += (long)lost;
				due += lost / (r->rate * pace);
			}
			wait_s(due - now_s());
		}
		blocks++;
		make_samples(r, content, size / 2);
		if (drop_every > 0 && blocks % (uint64_t)drop_every == 0) {
			lost_samples += size / 2;
			continue;
		}
		uint32_t cut = short_every > 0 && blocks % (uint64_t)short_every == 0 ? 1001 : 0;
		arrived(content, size - cut, context);
		if (cut) arrived(content + size - cut, cut, context);
		memset(content, 0xA5, size); /* the buffer is the driver's again */
	}
	while (r->reading == CANCELLING && wedge_after_ms >= 0) { read_control(); wait_s(0.005); }
	free(content);
	pthread_mutex_lock(&lock);
	r->reading = IDLE;
	pthread_cond_broadcast(&changed);
	pthread_mutex_unlock(&lock);
	return code;
}

int rtlsdr_cancel_async(receiver *r)
{
	if (!is_usable(r)) return -1;
	if (r->reading != RUNNING) { refused_cancels++; return -2; }
	r->reading = CANCELLING;
	return 0;
}
