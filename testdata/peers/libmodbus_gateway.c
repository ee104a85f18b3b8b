/* A Modbus gateway on libmodbus, driven by the test that starts it.
 *
 * It listens on a free loopback port, prints "listening PORT", and obeys one
 * command a line on standard input, answering each with "done":
 *
 *     set UNIT TABLE ADDRESS VALUE   TABLE: coil discrete holding input
 *     drop UNIT                      the unit stays silent from now on
 *     close                          stops listening and breaks every connection
 *     open                           listens on the same port again
 *
 * Units exist from their first "set" on. A unit that is not there is answered
 * with exception 0B, as a gateway does whose device stays silent.
 *
 *     cc -o libmodbus_gateway libmodbus_gateway.c $(pkg-config --cflags --libs libmodbus)
 */
#include <arpa/inet.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <unistd.h>

enum { UNITS = 248, SIZE = 512, CLIENTS = FD_SETSIZE };

static modbus_mapping_t *units[UNITS];
static modbus_t *context;
static int listener = -1, port;
static fd_set watched;

static void die(const char *what)
{
	perror(what);
	exit(1);
}

static int bound_port(int socket)
{
	struct sockaddr_in address;
	socklen_t length = sizeof address;
	if (getsockname(socket, (struct sockaddr *)&address, &length))
		die("getsockname");
	return ntohs(address.sin_port);
}

static void open_gateway(void)
{
	context = modbus_new_tcp("127.0.0.1", port);
	if (!context || (listener = modbus_tcp_listen(context, 16)) < 0)
		die("listen");
	port = bound_port(listener);
	FD_SET(listener, &watched);
}

static void close_gateway(void)
{
	for (int fd = STDIN_FILENO + 1; fd < CLIENTS; fd++) {
		if (!FD_ISSET(fd, &watched))
			continue;
		/* Break connections with a reset, as a device does that loses power. */
		struct linger now = {1, 0};
		setsockopt(fd, SOL_SOCKET, SO_LINGER, &now, sizeof now);
		close(fd);
		FD_CLR(fd, &watched);
	}
	modbus_free(context);
	listener = -1;
}

static void set(int unit, const char *table, int address, int value)
{
	if (unit < 0 || unit >= UNITS || address < 0 || address >= SIZE) {
		fprintf(stderr, "set: unit or address out of range\n");
		exit(1);
	}
	if (!units[unit] && !(units[unit] = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE)))
		die("mapping");
	modbus_mapping_t *m = units[unit];
	switch (table[0]) {
	case 'c': m->tab_bits[address] = value; break;
	case 'd': m->tab_input_bits[address] = value; break;
	case 'h': m->tab_registers[address] = value; break;
	case 'i': m->tab_input_registers[address] = value; break;
	}
}

/* obey runs one command; at the end of input the gateway ends. */
static void obey(void)
{
	char line[128], table[16];
	int unit, address, value;
	if (!fgets(line, sizeof line, stdin))
		exit(0);
	if (sscanf(line, "set %d %15s %i %i", &unit, table, &address, &value) == 4) {
		set(unit, table, address, value);
	} else if (sscanf(line, "drop %d", &unit) == 1 && unit >= 0 && unit < UNITS) {
		modbus_mapping_free(units[unit]);
		units[unit] = NULL;
	} else if (!strncmp(line, "close", 5)) {
		close_gateway();
	} else if (!strncmp(line, "open", 4)) {
		open_gateway();
	} else {
		fprintf(stderr, "unknown command: %s", line);
		exit(1);
	}
	puts("done");
}

static void accept_client(void)
{
	int client = modbus_tcp_accept(context, &listener);
	if (client >= 0)
		FD_SET(client, &watched);
}

static void answer(int client)
{
	uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
	modbus_set_socket(context, client);
	int length = modbus_receive(context, query);
	if (length < 0) {
		close(client);
		FD_CLR(client, &watched);
		return;
	}
	int unit = query[modbus_get_header_length(context) - 1];
	if (unit < UNITS && units[unit])
		modbus_reply(context, query, length, units[unit]);
	else
		modbus_reply_exception(context, query, MODBUS_EXCEPTION_GATEWAY_TARGET);
}

int main(void)
{
	setvbuf(stdin, NULL, _IONBF, 0); /* select() must see what fgets() has not taken */
	setvbuf(stdout, NULL, _IOLBF, 0);
	FD_ZERO(&watched);
	FD_SET(STDIN_FILENO, &watched);
	open_gateway();
	printf("listening %d\n", port);
	for (;;) {
		fd_set ready = watched;
		if (select(CLIENTS, &ready, NULL, NULL, NULL) < 0)
			die("select");
		if (FD_ISSET(STDIN_FILENO, &ready)) {
			obey();
			continue;
		}
		for (int fd = STDIN_FILENO + 1; fd < CLIENTS; fd++) {
			if (!FD_ISSET(fd, &ready))
				continue;
			if (fd == listener)
				accept_client();
			else
				answer(fd);
		}
	}
}
