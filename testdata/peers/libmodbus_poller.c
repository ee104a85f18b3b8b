/* A poller on libmodbus, which the bench sets beside our own.
 *
 *     libmodbus_poller SECONDS UNITS REGISTERS PORT...
 *
 * Each port of the loopback is a gateway with one connection and a thread of
 * its own, which reads the first REGISTERS input registers of units 1 to UNITS,
 * one unit after the other, for ever. When every gateway has been through all
 * its units once, the readings of SECONDS are counted, and one line is printed:
 *
 *     READINGS SECONDS CPU
 *
 * where CPU is the processor's time of this process in seconds.
 *
 *     cc -O2 -o libmodbus_poller libmodbus_poller.c $(pkg-config --cflags --libs libmodbus) -lpthread
 */
#include <errno.h>
#include <modbus.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>

enum { MOST = 125 };

/* Each counter has a line of the processor's cache for itself. */
struct gateway {
	_Alignas(64) atomic_ulong readings;
	int port;
	pthread_t thread;
};

static int units, registers;

static void die(const char *what)
{
	fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
	exit(1);
}

static void *poll_gateway(void *argument)
{
	struct gateway *g = argument;
	uint16_t words[MOST];
	modbus_t *context = modbus_new_tcp("127.0.0.1", g->port);
	if (!context || modbus_set_response_timeout(context, 0, 800000) || modbus_connect(context))
		die("connect");
	for (;;)
		for (int unit = 1; unit <= units; unit++) {
			if (modbus_set_slave(context, unit))
				die("unit");
			if (modbus_read_input_registers(context, 0, registers, words) != registers)
				die("read");
			atomic_fetch_add_explicit(&g->readings, 1, memory_order_relaxed);
		}
}

static double seconds_now(void)
{
	struct timespec now;
	clock_gettime(CLOCK_MONOTONIC, &now);
	return now.tv_sec + now.tv_nsec / 1e9;
}

static double processor_time(void)
{
	struct rusage used;
	if (getrusage(RUSAGE_SELF, &used))
		die("getrusage");
	return used.ru_utime.tv_sec + used.ru_stime.tv_sec + (used.ru_utime.tv_usec + used.ru_stime.tv_usec) / 1e6;
}

static void pause_for(double seconds)
{
	struct timespec span = {(time_t)seconds, (long)((seconds - (time_t)seconds) * 1e9)};
	nanosleep(&span, NULL);
}

static unsigned long total(struct gateway *all, int n)
{
	unsigned long sum = 0;
	for (int i = 0; i < n; i++)
		sum += atomic_load(&all[i].readings);
	return sum;
}

int main(int count, char **arguments)
{
	int n = count - 4;
	if (n < 1 || (units = atoi(arguments[2])) < 1 || (registers = atoi(arguments[3])) < 1 || registers > MOST) {
		fprintf(stderr, "usage: libmodbus_poller SECONDS UNITS REGISTERS PORT...\n");
		return 2;
	}
	struct gateway *all = aligned_alloc(64, n * sizeof *all);
	if (!all)
		die("memory");
	memset(all, 0, n * sizeof *all);
	for (int i = 0; i < n; i++) {
		all[i].port = atoi(arguments[4 + i]);
		if (pthread_create(&all[i].thread, NULL, poll_gateway, &all[i]))
			die("thread");
	}
	for (int i = 0; i < n; i++)
		while (atomic_load(&all[i].readings) < (unsigned long)units)
			pause_for(0.001);
	unsigned long readings = total(all, n);
	double began = seconds_now(), used = processor_time();
	pause_for(atof(arguments[1]));
	readings = total(all, n) - readings;
	printf("%lu %.9f %.9f\n", readings, seconds_now() - began, processor_time() - used);
	return 0; /* which ends the threads */
}
