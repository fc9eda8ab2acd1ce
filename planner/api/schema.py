"""The OpenAPI document: how our fields are described, and who may call what."""

from __future__ import annotations

from typing import Any

from drf_spectacular.authentication import SessionScheme as OfASession
from drf_spectacular.extensions import OpenApiAuthenticationExtension, OpenApiSerializerFieldExtension
from drf_spectacular.openapi import AutoSchema

from planner.api.access import PERMISSIONS
from planner.api.roles import ANYONE, SIGNED_IN


class Schema(AutoSchema):
    """One operation, named by its route, with the roles that may call it."""

    def get_operation_id(self) -> str:
        return f"{self.method.lower()}_{self._route().replace('-', '_')}"

    def get_tags(self) -> list[str]:
        return [self.path.removeprefix("/api/v1/").split("/")[0]]

    def get_extensions(self) -> dict[str, Any]:
        return {"x-route": self._route(), "x-roles": self._roles()}

    def get_description(self) -> str:
        roles = self._roles()
        if roles == [ANYONE]:
            told = "Open to anyone."
        elif roles == [SIGNED_IN]:
            told = "For anyone signed in."
        else:
            told = "Roles: " + ", ".join(roles) + "."
        return f"{super().get_description()} {told}".strip()

    def _route(self) -> str:
        from planner.api.routes import NAME_OF

        return NAME_OF[self.path.removeprefix("/api/v1")]

    def _roles(self) -> list[str]:
        return list(PERMISSIONS.get((self.method, self._route()), ()))


class OurFields(OpenApiSerializerFieldExtension):
    target_class = "inventory.api.fields.CellField"
    match_subclasses = True

    def map_serializer_field(self, auto_schema: Any, direction: str) -> dict[str, Any]:
        found: dict[str, Any] = self.target.json_schema()
        return found


class AnyField(OpenApiSerializerFieldExtension):
    target_class = "inventory.api.fields.AnyJson"
    match_subclasses = True

    def map_serializer_field(self, auto_schema: Any, direction: str) -> dict[str, Any]:
        found: dict[str, Any] = self.target.json_schema()
        return found


class TokenScheme(OpenApiAuthenticationExtension):
    target_class = "planner.api.authentication.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        told = 'A token of POST /tokens, with the word before it: "Token 1f0c..."'
        return {"type": "apiKey", "in": "header", "name": "Authorization", "description": told}


class SessionScheme(OfASession):
    target_class = "planner.api.authentication.SessionAuthentication"


def nothing_else(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Objects hold the named members and no others; only a problem has further ones, the facts of the refusal.

    Costs are not always there: a helper's answers leave them out.
    """
    for name, component in result.get("components", {}).get("schemas", {}).items():
        if component.get("type") == "object":
            component["additionalProperties"] = name == "Problem"
            required = [one for one in component.get("required", ()) if not component["properties"][one].get("x-cost")]
            if required != component.get("required", []):
                component["required"] = required
                if not required:
                    del component["required"]
    return result
